package bulk

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"

	"candidacy/internal/record"
)

// Content is a file of an export to be read from anywhere, either as it is kept,
// which is gzip, or unpacked. It keeps one chunk in memory.
type Content struct {
	ctx   context.Context
	vault Vault
	claim string
	file  record.ExportFile
	// side is which of a chunk's two sizes counts.
	side int
	at   int64
	// loaded is the chunk in memory, from the byte begin on; -1 is none.
	loaded int
	begin  int64
	data   []byte
	err    error
}

var _ io.ReadSeeker = (*Content)(nil)

// Open returns the content of a file that the claim's export holds.
func Open(ctx context.Context, vault Vault, claim string, file record.ExportFile, packed bool) *Content {
	c := &Content{ctx: ctx, vault: vault, claim: claim, file: file, loaded: -1}
	if packed {
		c.side = 1
	}
	return c
}

// Size is the number of bytes.
func (c *Content) Size() int64 {
	var n int64
	for _, chunk := range c.file.Chunks {
		n += chunk[c.side]
	}
	return n
}

// Seek implements io.Seeker.
func (c *Content) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += c.at
	case io.SeekEnd:
		offset += c.Size()
	}
	if offset < 0 {
		return 0, errors.New("a place before the file")
	}
	c.at = offset
	return offset, nil
}

// Err is what kept it from being read, if anything did.
func (c *Content) Err() error { return c.err }

// Read implements io.Reader.
func (c *Content) Read(p []byte) (int, error) {
	if c.loaded < 0 || c.at < c.begin || c.at >= c.begin+int64(len(c.data)) {
		if err := c.load(); err != nil {
			if !errors.Is(err, io.EOF) {
				c.err = err
			}
			return 0, err
		}
	}
	n := copy(p, c.data[c.at-c.begin:])
	c.at += int64(n)
	return n, nil
}

// load brings the chunk at the place into memory.
func (c *Content) load() error {
	var begin, kept int64
	for i, chunk := range c.file.Chunks {
		if c.at < begin+chunk[c.side] {
			packed, err := c.vault.Read(c.ctx, c.claim, c.file.Position, i, kept, chunk[1])
			if err != nil {
				return err
			}
			if c.side == 0 {
				if c.data, err = unpack(packed, chunk[0]); err != nil {
					return err
				}
			} else {
				c.data = packed
			}
			if int64(len(c.data)) != chunk[c.side] {
				return errors.New("a chunk of an export has another size than was noted")
			}
			c.loaded, c.begin = i, begin
			return nil
		}
		begin, kept = begin+chunk[c.side], kept+chunk[1]
	}
	return io.EOF
}

func unpack(packed []byte, size int64) ([]byte, error) {
	zip, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, fmt.Errorf("unpack a chunk of an export: %w", err)
	}
	data := make([]byte, size)
	if _, err := io.ReadFull(zip, data); err != nil {
		return nil, fmt.Errorf("unpack a chunk of an export: %w", err)
	}
	// The checksum is compared at the end.
	if n, err := zip.Read(make([]byte, 1)); n != 0 || !errors.Is(err, io.EOF) {
		return nil, errors.New("unpack a chunk of an export: it does not end where it should")
	}
	return data, nil
}
