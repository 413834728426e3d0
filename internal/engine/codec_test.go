package engine

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	commonpb "go.temporal.io/api/common/v1"
	"go.temporal.io/sdk/converter"
	"google.golang.org/protobuf/proto"
)

func testCodec(t testing.TB, ring Keyring) converter.PayloadCodec {
	t.Helper()
	c, err := NewCodec(ring)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func plainPayload(text string) *commonpb.Payload {
	return &commonpb.Payload{
		Metadata: map[string][]byte{converter.MetadataEncoding: []byte("json/plain")},
		Data:     []byte(text),
	}
}

func encodeOne(t *testing.T, c converter.PayloadCodec, p *commonpb.Payload) *commonpb.Payload {
	t.Helper()
	out, err := c.Encode([]*commonpb.Payload{p})
	if err != nil {
		t.Fatal(err)
	}
	return out[0]
}

func TestCodecRoundTrip(t *testing.T) {
	c := testCodec(t, NewKeyring())
	in := []*commonpb.Payload{plainPayload(`"stage"`), plainPayload(""), {}}
	sealed, err := c.Encode(in)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range sealed {
		raw, err := proto.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, plain := range []string{"stage", "json/plain"} {
			if bytes.Contains(raw, []byte(plain)) {
				t.Errorf("the encrypted payload shows %q", plain)
			}
		}
	}
	out, err := c.Decode(sealed)
	if err != nil {
		t.Fatal(err)
	}
	for i := range in {
		if !proto.Equal(in[i], out[i]) {
			t.Errorf("payload %d: got %v, want %v", i, out[i], in[i])
		}
	}
}

func TestCodecUsesAFreshNonce(t *testing.T) {
	c := testCodec(t, NewKeyring())
	p := plainPayload(`"same"`)
	if bytes.Equal(encodeOne(t, c, p).Data, encodeOne(t, c, p).Data) {
		t.Error("the same payload was encrypted to the same bytes twice")
	}
}

func TestCodecRefusesAnyChangedByte(t *testing.T) {
	c := testCodec(t, NewKeyring())
	sealed := encodeOne(t, c, plainPayload(`"stage"`))
	for i := range sealed.Data {
		changed := proto.Clone(sealed).(*commonpb.Payload)
		changed.Data[i] ^= 1
		if _, err := c.Decode([]*commonpb.Payload{changed}); !errors.Is(err, ErrDamagedPayload) {
			t.Fatalf("byte %d changed: got %v, want %v", i, err, ErrDamagedPayload)
		}
	}
	for n := range sealed.Data {
		cut := proto.Clone(sealed).(*commonpb.Payload)
		cut.Data = cut.Data[:n]
		if _, err := c.Decode([]*commonpb.Payload{cut}); !errors.Is(err, ErrDamagedPayload) {
			t.Fatalf("cut to %d bytes: got %v, want %v", n, err, ErrDamagedPayload)
		}
	}
}

// The same secret under another id must not open the payload: the id is bound.
func TestCodecBindsTheKeyID(t *testing.T) {
	ring := NewKeyring()
	twin := key{id: "twin", secret: ring.keys[0].secret}
	c := testCodec(t, Keyring{keys: []key{ring.keys[0], twin}})
	sealed := encodeOne(t, c, plainPayload(`"stage"`))
	sealed.Metadata[metadataKeyID] = []byte("twin")
	if _, err := c.Decode([]*commonpb.Payload{sealed}); !errors.Is(err, ErrDamagedPayload) {
		t.Errorf("got %v, want %v", err, ErrDamagedPayload)
	}
}

func TestCodecRefusesAnUnknownKey(t *testing.T) {
	sealed := encodeOne(t, testCodec(t, NewKeyring()), plainPayload(`"stage"`))
	_, err := testCodec(t, NewKeyring()).Decode([]*commonpb.Payload{sealed})
	if !errors.Is(err, ErrUnknownKey) {
		t.Errorf("got %v, want %v", err, ErrUnknownKey)
	}
}

func TestCodecRefusesPlainText(t *testing.T) {
	c := testCodec(t, NewKeyring())
	for _, p := range []*commonpb.Payload{plainPayload(`"stage"`), {}, {Data: []byte("x")}} {
		if _, err := c.Decode([]*commonpb.Payload{p}); !errors.Is(err, ErrPlainPayload) {
			t.Errorf("%v: got %v, want %v", p, err, ErrPlainPayload)
		}
	}
}

func TestCodecNeedsAKey(t *testing.T) {
	if _, err := NewCodec(Keyring{}); err == nil {
		t.Error("an empty ring was accepted")
	}
}

// A payload that does not open is an error for a caller and blocks a workflow.
func TestDataConverterBlocksWorkflows(t *testing.T) {
	dc := newDataConverter(testCodec(t, NewKeyring())).(dataConverter)
	var s string
	if err := dc.FromPayload(plainPayload(`"stage"`), &s); !errors.Is(err, ErrPlainPayload) {
		t.Errorf("outside a workflow: got %v, want %v", err, ErrPlainPayload)
	}
	inWorkflow := dc.WithWorkflowContext(nil)
	payloads := &commonpb.Payloads{Payloads: []*commonpb.Payload{plainPayload(`"stage"`)}}
	for name, decode := range map[string]func() error{
		"one":  func() error { return inWorkflow.FromPayload(payloads.Payloads[0], &s) },
		"many": func() error { return inWorkflow.FromPayloads(payloads, &s) },
	} {
		t.Run(name, func(t *testing.T) {
			defer func() {
				if err, ok := recover().(error); !ok || !errors.Is(err, ErrPlainPayload) {
					t.Errorf("got panic %v, want %v", err, ErrPlainPayload)
				}
			}()
			t.Errorf("no panic but %v", decode())
		})
	}

	// A value of another type is the workflow's own error, and stays one.
	good, err := inWorkflow.ToPayload("text")
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if err := inWorkflow.FromPayload(good, &n); err == nil {
		t.Error("text was read as a number")
	}
}

func TestKeysAreCreatedOnceAndKeptPrivate(t *testing.T) {
	path := filepath.Join(t.TempDir(), KeyFile)
	first, created, err := LoadOrCreateKeys(path)
	if err != nil || !created {
		t.Fatalf("first call: created %v, error %v", created, err)
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := info.Mode().Perm(); got != 0o600 {
		t.Errorf("mode is %04o, want 0600", got)
	}
	again, created, err := LoadOrCreateKeys(path)
	if err != nil || created {
		t.Fatalf("second call: created %v, error %v", created, err)
	}
	if !slices.Equal(first.keys, again.keys) {
		t.Error("the second call read other keys")
	}
}

func TestKeysReadableByOthersAreRefused(t *testing.T) {
	for _, mode := range []os.FileMode{0o640, 0o604, 0o620, 0o602, 0o644, 0o660, 0o610} {
		t.Run(fmt.Sprintf("%04o", mode), func(t *testing.T) {
			path := filepath.Join(t.TempDir(), KeyFile)
			if _, _, err := LoadOrCreateKeys(path); err != nil {
				t.Fatal(err)
			}
			if err := os.Chmod(path, mode); err != nil {
				t.Fatal(err)
			}
			if _, _, err := LoadOrCreateKeys(path); err == nil || !strings.Contains(err.Error(), path) {
				t.Errorf("load: got %v, want an error that names the file", err)
			}
			if _, err := Rotate(path); err == nil {
				t.Error("rotate: accepted")
			}
		})
	}
}

// A damaged file must not be taken for a missing one: a new key in its place
// would make every open workflow unreadable.
func TestDamagedKeysAreNotReplaced(t *testing.T) {
	path := filepath.Join(t.TempDir(), KeyFile)
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := LoadOrCreateKeys(path); err == nil {
		t.Error("an empty file was accepted")
	}
	if raw, err := os.ReadFile(path); err != nil || len(raw) != 0 {
		t.Errorf("the file was changed: %d bytes, error %v", len(raw), err)
	}
}

func TestRotateEncryptsWithTheNewKeyAndReadsTheOld(t *testing.T) {
	path := filepath.Join(t.TempDir(), KeyFile)
	before, _, err := LoadOrCreateKeys(path)
	if err != nil {
		t.Fatal(err)
	}
	old := encodeOne(t, testCodec(t, before), plainPayload(`"old"`))

	after, err := Rotate(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := after.IDs(); len(got) != 2 || got[1] != before.IDs()[0] {
		t.Fatalf("ring is %v after %v", got, before.IDs())
	}
	c := testCodec(t, after)
	if _, err := c.Decode([]*commonpb.Payload{old}); err != nil {
		t.Errorf("reading a payload of the old key: %v", err)
	}
	if got := string(encodeOne(t, c, plainPayload(`"new"`)).Metadata[metadataKeyID]); got != after.IDs()[0] {
		t.Errorf("encrypted with %s, want %s", got, after.IDs()[0])
	}
	loaded, created, err := LoadOrCreateKeys(path)
	if err != nil || created || !slices.Equal(loaded.keys, after.keys) {
		t.Errorf("the file holds %v, created %v, error %v", loaded, created, err)
	}
}

func TestParseKeys(t *testing.T) {
	const good = "AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="
	ring, err := ParseKeys("# newest first\n\nb " + good + "\r\n a\t" + good + " \n")
	if err != nil {
		t.Fatal(err)
	}
	if got := ring.IDs(); !slices.Equal(got, []string{"b", "a"}) {
		t.Errorf("ids are %v", got)
	}
	if ring, err := ParseKeys("b " + good + ",a " + good); err != nil || len(ring.keys) != 2 {
		t.Errorf("commas: %v, error %v", ring, err)
	}

	for name, text := range map[string]string{
		"empty":        "",
		"comment only": "# nothing\n",
		"no key":       "a\n",
		"three fields": "a " + good + " " + good,
		"id with @":    "a@b " + good,
		"long id":      strings.Repeat("a", 65) + " " + good,
		"same id":      "a " + good + "\na " + good,
		"short key":    "a AAECAw==",
		"not base64":   "a " + strings.Repeat("!", len(good)),
		"loose bits":   "a " + strings.Replace(good, "h8=", "h9=", 1),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseKeys(text)
			if err == nil {
				t.Fatal("accepted")
			}
			if strings.Contains(err.Error(), good) {
				t.Error("the error shows a key")
			}
		})
	}
}

func TestKeyringDoesNotPrintSecrets(t *testing.T) {
	const secret = "AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="
	ring, err := ParseKeys("kx " + secret)
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	slog.New(slog.NewTextHandler(&log, nil)).Info("ring", "ring", ring)
	for _, out := range []string{log.String(), fmt.Sprintf("%v %+v %#v %s", ring, ring, ring, ring)} {
		if !strings.Contains(out, "kx") {
			t.Errorf("no key id in %q", out)
		}
		if strings.Contains(out, secret) || strings.Contains(out, "16 17 18") || strings.Contains(out, "0x10, 0x11") {
			t.Errorf("a secret in %q", out)
		}
	}
}
