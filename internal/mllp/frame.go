// Package mllp carries HL7 v2 messages over TCP by the Minimal Lower Layer
// Protocol (HL7 v2.7 appendix C; "HL7 MLLP, release 1"): each message stands
// between 0x0B and 0x1C 0x0D. It knows frames and connections, and nothing of
// what a message says.
package mllp

import (
	"bufio"
	"bytes"
	"errors"
	"io"
)

// The bytes around a message.
const (
	start    = 0x0b
	end      = 0x1c
	carriage = 0x0d
)

// Wrap puts a message in its frame.
func Wrap(message []byte) []byte {
	framed := make([]byte, 0, len(message)+3)
	framed = append(framed, start)
	framed = append(framed, message...)
	return append(framed, end, carriage)
}

// Frame is what stood in one frame.
type Frame struct {
	Message []byte
	// TooLarge says that the message was larger than is taken; Message is then
	// only its beginning.
	TooLarge bool
}

// errGarbage is of a sender that sends no frames at all.
var errGarbage = errors.New("too many bytes outside frames")

// Reader reads frames one after the other.
type Reader struct {
	in  *bufio.Reader
	max int
	// Skipped counts the bytes outside frames, and those of frames that another
	// one began within, as of a sender that started again.
	Skipped int
}

// NewReader reads frames with messages of up to so many bytes.
func NewReader(in io.Reader, maxBytes int) *Reader {
	return &Reader{in: bufio.NewReader(in), max: maxBytes}
}

// Wait reads up to the beginning of the next frame. It skips what stands between
// frames, such as a line feed, but not more of it than a message may be large.
func (r *Reader) Wait() error {
	for skipped := 0; ; skipped++ {
		c, err := r.in.ReadByte()
		switch {
		case err != nil:
			return err
		case c == start:
			return nil
		case skipped >= r.max:
			return errGarbage
		}
		r.Skipped++
	}
}

// Rest reads a frame after its beginning. Of a message that is too large it keeps
// the beginning, and reads on to its end. An end of the input within a frame is
// an io.ErrUnexpectedEOF: such a message was never sent as a whole.
func (r *Reader) Rest() (Frame, error) {
	var f Frame
	for {
		// In what a message may hold, 0x1C is not, so that the slices are long.
		chunk, err := r.in.ReadSlice(end)
		if i := bytes.LastIndexByte(chunk, start); i >= 0 {
			r.Skipped += len(f.Message) + i + 1
			f, chunk = Frame{}, chunk[i+1:]
		}
		f.add(chunk, r.max)
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case errors.Is(err, io.EOF):
			return Frame{}, io.ErrUnexpectedEOF
		case err != nil:
			return Frame{}, err
		}
		c, err := r.in.ReadByte()
		switch {
		case errors.Is(err, io.EOF):
			return Frame{}, io.ErrUnexpectedEOF
		case err != nil:
			return Frame{}, err
		case c == carriage:
			if !f.TooLarge {
				f.Message = f.Message[:len(f.Message)-1]
			}
			return f, nil
		}
		if err := r.in.UnreadByte(); err != nil {
			return Frame{}, err
		}
	}
}

// add keeps what there is room for: one byte more than a message may have, for
// the 0x1C that ends it.
func (f *Frame) add(chunk []byte, most int) {
	if room := most + 1 - len(f.Message); len(chunk) > room {
		chunk, f.TooLarge = chunk[:max(room, 0)], true
	}
	f.Message = append(f.Message, chunk...)
}
