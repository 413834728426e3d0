package bulk

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"

	"candidacy/internal/record"
)

// Sizes say how big things get.
type Sizes struct {
	// Chunk is how many bytes are compressed as one: what has to be unpacked to
	// read any part of it.
	Chunk int
	// File is the number of bytes after which a type goes on in another file.
	File int64
}

// DefaultSizes keep at most some 50 MiB in memory with 25 types, and a file small
// enough to fetch again.
var DefaultSizes = Sizes{Chunk: 1 << 20, File: 128 << 20}

// packer writes files in chunks, each a gzip member of its own. Members one behind
// the other are a gzip file too (RFC 1952, 2.2), so that a file can be sent as it
// is kept, and any part of it unpacked without what comes before.
//
// Reading goes on while the chunk before is compressed and written.
type packer struct {
	ctx   context.Context
	vault Vault
	claim string
	sizes Sizes

	full    map[string]*batch
	work    chan batch
	free    chan []byte
	stopped chan struct{}
	err     error
	files   []record.ExportFile
}

// batch is the lines of a chunk.
type batch struct {
	section, typ string
	data         []byte
	resources    int64
}

// The sections of files.
const (
	SectionOutput  = "output"
	SectionError   = "error"
	SectionDeleted = "deleted"
)

func newPacker(ctx context.Context, vault Vault, claim string, sizes Sizes) *packer {
	p := &packer{
		ctx: ctx, vault: vault, claim: claim, sizes: sizes,
		full: map[string]*batch{}, work: make(chan batch, 1), free: make(chan []byte, 4), stopped: make(chan struct{}),
	}
	go p.pack()
	return p
}

// add implements sink.
func (p *packer) add(typ string, body []byte) error {
	b := p.full[typ]
	if b == nil {
		b = &batch{section: SectionOutput, typ: typ}
		p.full[typ] = b
	}
	b.data = append(append(b.data, body...), '\n')
	b.resources++
	if len(b.data) < p.sizes.Chunk {
		return nil
	}
	if err := p.hand(*b); err != nil {
		return err
	}
	b.data, b.resources = nil, 0
	select {
	case b.data = <-p.free:
	default:
	}
	return nil
}

// hand gives a batch to whoever packs.
func (p *packer) hand(b batch) error {
	select {
	case p.work <- b:
		return nil
	case <-p.stopped:
		return errors.Join(p.err, p.ctx.Err(), errStopped)
	}
}

var errStopped = errors.New("nothing more can be packed")

// finish packs what is left, and the further lines of another section, and
// returns the files.
func (p *packer) finish(more ...batch) ([]record.ExportFile, error) {
	for _, b := range p.full {
		if b.resources > 0 {
			more = append(more, *b)
		}
	}
	for _, b := range more {
		if err := p.hand(b); err != nil {
			break // the packer's own error says why
		}
	}
	p.stop()
	return p.files, p.err
}

// stop ends the packer, whatever is left.
func (p *packer) stop() {
	close(p.work)
	<-p.stopped
}

// writing is a file under way.
type writing struct {
	part Part
	file record.ExportFile
	size int64
	// number counts the files of the type.
	number int
}

// pack is the only one to compress and write, so that chunks stay in order.
func (p *packer) pack() {
	defer close(p.stopped)
	var packed bytes.Buffer
	zip, err := gzip.NewWriterLevel(&packed, gzip.BestSpeed)
	if err != nil {
		p.err = fmt.Errorf("compress: %w", err)
		return
	}
	open := map[string]*writing{}
	for b := range p.work {
		if p.err = p.ctx.Err(); p.err != nil {
			break
		}
		packed.Reset()
		zip.Reset(&packed)
		if _, err := zip.Write(b.data); err != nil {
			p.err = fmt.Errorf("compress: %w", err)
			break
		}
		if err := zip.Close(); err != nil {
			p.err = fmt.Errorf("compress: %w", err)
			break
		}
		w := open[b.section+b.typ]
		if w == nil {
			w = &writing{}
			open[b.section+b.typ] = w
		}
		if p.err = p.write(w, b, packed.Bytes()); p.err != nil {
			break
		}
		select {
		case p.free <- b.data[:0]:
		default:
		}
	}
	for _, w := range open {
		p.err = errors.Join(p.err, p.complete(w))
	}
}

func (p *packer) write(w *writing, b batch, packed []byte) error {
	if w.part == nil {
		w.number++
		position := len(p.files)
		part, err := p.vault.Create(p.ctx, p.claim, position)
		if err != nil {
			return err
		}
		name := fmt.Sprintf("%s.%d.ndjson", b.typ, w.number)
		if b.section != SectionOutput {
			name = b.section + "." + name
		}
		w.part, w.size = part, 0
		w.file = record.ExportFile{Name: name, Position: position, Section: b.section, Type: b.typ}
		p.files = append(p.files, w.file)
	}
	if err := w.part.Append(p.ctx, len(w.file.Chunks), packed); err != nil {
		return err
	}
	w.file.Chunks = append(w.file.Chunks, record.ExportChunk{int64(len(b.data)), int64(len(packed))})
	w.file.Resources += b.resources
	if w.size += int64(len(b.data)); w.size >= p.sizes.File {
		return p.complete(w)
	}
	return nil
}

func (p *packer) complete(w *writing) error {
	if w.part == nil {
		return nil
	}
	err := w.part.Close()
	w.part = nil
	p.files[w.file.Position] = w.file
	return err
}
