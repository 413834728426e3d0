package mllp_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"pgregory.net/rapid"

	"candidacy/internal/mllp"
)

const most = 64

// read takes frames until the input ends, and says how it did.
func read(in io.Reader) (frames []mllp.Frame, skipped int, err error) {
	r := mllp.NewReader(in, most)
	for {
		if err := r.Wait(); err != nil {
			return frames, r.Skipped, err
		}
		f, err := r.Rest()
		if err != nil {
			return frames, r.Skipped, err
		}
		frames = append(frames, f)
	}
}

func TestFrames(t *testing.T) {
	full := strings.Repeat("x", most)
	for _, each := range []struct {
		name, in string
		want     []string
		tooLarge bool
		skipped  int
		err      error
	}{
		{name: "nothing", err: io.EOF},
		{name: "one", in: "\x0bMSH|\r\x1c\r", want: []string{"MSH|\r"}, err: io.EOF},
		{name: "two", in: "\x0bA\x1c\r\x0bB\x1c\r", want: []string{"A", "B"}, err: io.EOF},
		{name: "empty", in: "\x0b\x1c\r", want: []string{""}, err: io.EOF},
		{name: "garbage between", in: "\n\x0bA\x1c\r\n\r \x0bB\x1c\r", want: []string{"A", "B"}, skipped: 4, err: io.EOF},
		{name: "an end within", in: "\x0bA\x1cB\x1c\x1c\r", want: []string{"A\x1cB\x1c"}, err: io.EOF},
		{name: "began again", in: "\x0bMSH|half\x0bMSH|whole\x1c\r", want: []string{"MSH|whole"}, skipped: 9, err: io.EOF},
		{name: "began after an end that was none", in: "\x0bA\x1c\x0bB\x1c\r", want: []string{"B"}, skipped: 3, err: io.EOF},
		{name: "cut off", in: "\x0bA", err: io.ErrUnexpectedEOF},
		{name: "cut off in the end", in: "\x0bA\x1c", err: io.ErrUnexpectedEOF},
		{name: "just fits", in: "\x0b" + full + "\x1c\r", want: []string{full}, err: io.EOF},
		{name: "too large", in: "\x0b" + full + "xyz\x1c\r\x0bB\x1c\r", want: []string{full + "x", "B"}, tooLarge: true, err: io.EOF},
	} {
		for way, in := range map[string]io.Reader{"at once": strings.NewReader(each.in), "byte by byte": iotest.OneByteReader(strings.NewReader(each.in))} {
			frames, skipped, err := read(in)
			if !errors.Is(err, each.err) || skipped != each.skipped || len(frames) != len(each.want) {
				t.Errorf("%s, %s: %d frames, %d bytes skipped, %v", each.name, way, len(frames), skipped, err)
				continue
			}
			for i, f := range frames {
				if string(f.Message) != each.want[i] || f.TooLarge != (each.tooLarge && i == 0) {
					t.Errorf("%s, %s: frame %d is %q, too large %t", each.name, way, i, f.Message, f.TooLarge)
				}
			}
		}
	}
	if _, _, err := read(strings.NewReader(strings.Repeat("GET / HTTP/1.1\r\n", 20))); err == nil || errors.Is(err, io.EOF) {
		t.Errorf("endless garbage: %v", err)
	}
}

// The buffer is of 4096 bytes: these frames lie across its borders.
func TestWhatIsWrappedIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		messages := rapid.SliceOf(rapid.Custom(func(t *rapid.T) []byte {
			part := rapid.SliceOfN(rapid.SampledFrom([]byte("AB|\r\x1c")), 0, 20).Draw(t, "part")
			return bytes.TrimRight(bytes.Repeat(part, rapid.IntRange(0, 500).Draw(t, "times")), "\x1c\r")
		})).Draw(t, "messages")
		var in bytes.Buffer
		var want [][]byte
		for _, m := range messages {
			if bytes.Contains(m, []byte("\x1c\r")) {
				continue // No frame can hold its own end.
			}
			want = append(want, m)
			in.Write(mllp.Wrap(m))
		}
		r := mllp.NewReader(&in, 10_000)
		for i, m := range want {
			if err := r.Wait(); err != nil {
				t.Fatal(err)
			}
			f, err := r.Rest()
			if err != nil || f.TooLarge || !bytes.Equal(f.Message, m) {
				t.Fatalf("message %d of %d bytes: %d bytes, %v", i, len(m), len(f.Message), err)
			}
		}
	})
}

func FuzzFrames(f *testing.F) {
	f.Add([]byte("\x0bA\x1c\r\n\x0bB\x1c\r"))
	f.Add([]byte("\x0b\x0b\x1c\x1c\r"))
	f.Fuzz(func(t *testing.T, in []byte) {
		whole, skippedWhole, errWhole := read(bytes.NewReader(in))
		parts, skippedParts, errParts := read(iotest.OneByteReader(bytes.NewReader(in)))
		// How the bytes arrive makes no difference.
		if len(whole) != len(parts) || skippedWhole != skippedParts || errWhole.Error() != errParts.Error() {
			t.Fatalf("%q: %d and %d frames, %d and %d skipped, %v and %v", in, len(whole), len(parts), skippedWhole, skippedParts, errWhole, errParts)
		}
		for i := range whole {
			if !bytes.Equal(whole[i].Message, parts[i].Message) || whole[i].TooLarge != parts[i].TooLarge {
				t.Fatalf("%q: frame %d differs", in, i)
			}
			if len(whole[i].Message) > most+1 {
				t.Fatalf("%q: frame %d has %d bytes", in, i, len(whole[i].Message))
			}
		}
	})
}
