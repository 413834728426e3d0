package engine

import (
	"bytes"
	"errors"
	"strings"
	"testing"
)

func TestSeal(t *testing.T) {
	ring, other := NewKeyring(), NewKeyring()
	secret := []byte("JBSWY3DPEHPK3PXP")
	sealed, err := ring.Seal("second factor of acc-1", secret)
	if err != nil || strings.Contains(sealed, string(secret)) {
		t.Fatalf("%q, %v", sealed, err)
	}
	if again, err := ring.Seal("second factor of acc-1", secret); err != nil || again == sealed {
		t.Errorf("the same secret is sealed in the same way: %v", err)
	}
	// A key that was put before the others still lets what is older be opened.
	rotated := Keyring{keys: append(other.keys, ring.keys...)}
	for _, r := range []Keyring{ring, rotated} {
		if got, err := r.Open("second factor of acc-1", sealed); err != nil || !bytes.Equal(got, secret) {
			t.Errorf("%q, %v", got, err)
		}
	}
	for name, c := range map[string]struct {
		ring         Keyring
		name, sealed string
		want         error
	}{
		"another account":  {ring, "second factor of acc-2", sealed, ErrDamagedPayload},
		"another ring":     {other, "second factor of acc-1", sealed, ErrUnknownKey},
		"a changed letter": {ring, "second factor of acc-1", sealed[:len(sealed)-6] + "AAAAA=", ErrDamagedPayload},
		"no base 64":       {ring, "second factor of acc-1", ring.IDs()[0] + ":?", ErrDamagedPayload},
		"nothing":          {ring, "second factor of acc-1", "", ErrUnknownKey},
	} {
		if got, err := c.ring.Open(c.name, c.sealed); !errors.Is(err, c.want) {
			t.Errorf("%s: %q, %v, want %v", name, got, err, c.want)
		}
	}
	if _, err := (Keyring{}).Seal("x", secret); err == nil {
		t.Error("an empty ring seals")
	}
}
