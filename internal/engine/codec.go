package engine

import (
	"context"
	"crypto/cipher"
	"errors"
	"fmt"

	commonpb "go.temporal.io/api/common/v1"
	"go.temporal.io/sdk/converter"
	"go.temporal.io/sdk/workflow"
	"google.golang.org/protobuf/proto"
)

const (
	// payloadEncoding marks a payload as ours. A change of format needs a new
	// name, and the old one must stay readable for as long as candidates live.
	payloadEncoding = "binary/candidacy-aes256gcm"
	metadataKeyID   = "candidacy-key-id"
)

// The reasons why a payload is refused.
var (
	// ErrPlainPayload means that a payload was not encrypted by this codec. It
	// is not passed through, so that plain text cannot slip in unseen.
	ErrPlainPayload = errors.New("payload is not encrypted")
	// ErrUnknownKey means that the key ring lacks the key of a payload.
	ErrUnknownKey = errors.New("payload key is unknown")
	// ErrDamagedPayload means that a payload or its key id was changed.
	ErrDamagedPayload = errors.New("payload is damaged or was altered")
)

// codec encrypts whole payloads, with their metadata, by AES-256-GCM. The nonce
// is random and fresh for each payload and stands before the cipher text; a key
// is good for 2^32 payloads, far more than a programme makes in its life.
type codec struct {
	first string
	aeads map[string]cipher.AEAD
}

var _ converter.PayloadCodec = (*codec)(nil)

// NewCodec returns the payload codec of the ring: its first key encrypts, and
// all keys decrypt.
func NewCodec(ring Keyring) (converter.PayloadCodec, error) {
	if len(ring.keys) == 0 {
		return nil, errors.New("making the payload codec: the key ring is empty")
	}
	c := &codec{first: ring.keys[0].id, aeads: make(map[string]cipher.AEAD, len(ring.keys))}
	for _, k := range ring.keys {
		aead, err := k.aead()
		if err != nil {
			return nil, fmt.Errorf("making the payload codec: %w", err)
		}
		c.aeads[k.id] = aead
	}
	return c, nil
}

// Encode encrypts each payload under the first key.
func (c *codec) Encode(payloads []*commonpb.Payload) ([]*commonpb.Payload, error) {
	aead := c.aeads[c.first]
	out := make([]*commonpb.Payload, len(payloads))
	for i, p := range payloads {
		plain, err := proto.Marshal(p)
		if err != nil {
			return nil, fmt.Errorf("encoding a payload: %w", err)
		}
		out[i] = &commonpb.Payload{
			Metadata: map[string][]byte{
				converter.MetadataEncoding: []byte(payloadEncoding),
				metadataKeyID:              []byte(c.first),
			},
			Data: aead.Seal(nil, nil, plain, additionalData(c.first)),
		}
	}
	return out, nil
}

// Decode decrypts each payload under the key it names.
func (c *codec) Decode(payloads []*commonpb.Payload) ([]*commonpb.Payload, error) {
	out := make([]*commonpb.Payload, len(payloads))
	for i, p := range payloads {
		plain, err := c.decode(p)
		if err != nil {
			return nil, fmt.Errorf("decoding a payload: %w", err)
		}
		out[i] = plain
	}
	return out, nil
}

func (c *codec) decode(p *commonpb.Payload) (*commonpb.Payload, error) {
	meta := p.GetMetadata()
	if string(meta[converter.MetadataEncoding]) != payloadEncoding {
		return nil, ErrPlainPayload
	}
	id := string(meta[metadataKeyID])
	aead, ok := c.aeads[id]
	if !ok {
		return nil, fmt.Errorf("%w: %q", ErrUnknownKey, id)
	}
	raw, err := aead.Open(nil, nil, p.GetData(), additionalData(id))
	if err != nil {
		return nil, ErrDamagedPayload
	}
	plain := new(commonpb.Payload)
	if err := proto.Unmarshal(raw, plain); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamagedPayload, err)
	}
	return plain, nil
}

// additionalData binds the format and the key id, so that neither can be
// exchanged without the payload failing to open.
func additionalData(id string) []byte {
	return []byte(payloadEncoding + "\x00" + id)
}

// dataConverter decides what a payload that does not open means in a workflow.
// Outside a workflow it is an error for the caller. In a workflow an error
// would end the run, and with it the process of a person, although nothing but
// a missing key is wrong; there it panics, which fails the workflow task only,
// and the engine repeats that until the key is back.
type dataConverter struct {
	converter.DataConverter
}

var _ workflow.ContextAware = dataConverter{}

func newDataConverter(c converter.PayloadCodec) converter.DataConverter {
	return dataConverter{converter.NewCodecDataConverter(converter.GetDefaultDataConverter(), c)}
}

// WithWorkflowContext returns the converter for use in workflow code.
func (c dataConverter) WithWorkflowContext(workflow.Context) converter.DataConverter {
	return blockingConverter(c)
}

// WithContext returns the converter for use outside workflow code.
func (c dataConverter) WithContext(context.Context) converter.DataConverter { return c }

type blockingConverter struct {
	converter.DataConverter
}

// FromPayload decodes one payload, or blocks the workflow.
func (c blockingConverter) FromPayload(p *commonpb.Payload, value any) error {
	return block(c.DataConverter.FromPayload(p, value))
}

// FromPayloads decodes payloads, or blocks the workflow.
func (c blockingConverter) FromPayloads(p *commonpb.Payloads, values ...any) error {
	return block(c.DataConverter.FromPayloads(p, values...))
}

func block(err error) error {
	for _, refusal := range []error{ErrPlainPayload, ErrUnknownKey, ErrDamagedPayload} {
		if errors.Is(err, refusal) {
			panic(err)
		}
	}
	return err
}
