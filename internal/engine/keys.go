package engine

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"regexp"
	"strings"
)

// KeyFile is the name of the key file in a data folder.
const KeyFile = "payload.keys"

const secretSize = 32

var keyIDPattern = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)

type key struct {
	id     string
	secret [secretSize]byte
}

// Keyring is an ordered set of payload keys. The first encrypts, all decrypt.
// It prints as its key ids only.
type Keyring struct {
	keys []key
}

// IDs returns the ids of the keys, newest first.
func (r Keyring) IDs() []string {
	ids := make([]string, len(r.keys))
	for i, k := range r.keys {
		ids[i] = k.id
	}
	return ids
}

// String names the keys without their secrets.
func (r Keyring) String() string { return "keys " + strings.Join(r.IDs(), ", ") }

// GoString keeps %#v from printing the secrets.
func (r Keyring) GoString() string { return r.String() }

// LogValue keeps a logger from printing the secrets.
func (r Keyring) LogValue() slog.Value { return slog.StringValue(r.String()) }

// NewKeyring returns a ring with one new random key.
func NewKeyring() Keyring { return Keyring{keys: []key{newKey()}} }

// ParseKeys reads a key ring from text: one "id base64key" a line, newest
// first. Empty lines and lines that begin with # are skipped. A comma ends a
// line too, so that a ring fits into an environment variable.
func ParseKeys(text string) (Keyring, error) {
	var ring Keyring
	seen := make(map[string]bool)
	for i, line := range strings.FieldsFunc(text, func(r rune) bool { return r == '\n' || r == ',' }) {
		fields := strings.Fields(line)
		if len(fields) == 0 || strings.HasPrefix(fields[0], "#") {
			continue
		}
		// No part of a line goes into an error: it may be a secret.
		if len(fields) != 2 {
			return Keyring{}, fmt.Errorf("payload key entry %d: want an id and a base64 key", i+1)
		}
		id := fields[0]
		if !keyIDPattern.MatchString(id) {
			return Keyring{}, fmt.Errorf("payload key entry %d: the id may hold letters, digits, dot, dash and underscore, at most 64", i+1)
		}
		if seen[id] {
			return Keyring{}, fmt.Errorf("payload key entry %d: an id is used twice", i+1)
		}
		seen[id] = true
		secret, err := base64.StdEncoding.Strict().DecodeString(fields[1])
		if err != nil || len(secret) != secretSize {
			return Keyring{}, fmt.Errorf("payload key entry %d: the key must be %d bytes in base64", i+1, secretSize)
		}
		ring.keys = append(ring.keys, key{id: id, secret: [secretSize]byte(secret)})
	}
	if len(ring.keys) == 0 {
		return Keyring{}, errors.New("payload keys: there is no key")
	}
	return ring, nil
}

// LoadOrCreateKeys reads the key file, or makes one with a new key. The caller
// holds the folder's lock, and tells the operator to back up a created file:
// without its keys, what the engine holds cannot be read, and the engine must
// be started with [Options.Reset].
func LoadOrCreateKeys(path string) (ring Keyring, created bool, err error) {
	ring, err = loadKeys(path)
	if err == nil {
		return ring, false, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return Keyring{}, false, err
	}
	ring = NewKeyring()
	if err := saveKeys(path, ring); err != nil {
		return Keyring{}, false, err
	}
	return ring, true, nil
}

// Rotate puts a new key before the ones in the key file and returns the new
// ring. Old keys stay, since open workflows hold payloads under them. Running
// processes go on with the ring they have read, so all of them must know the
// new key before one of them uses it: restart them.
func Rotate(path string) (Keyring, error) {
	old, err := loadKeys(path)
	if err != nil {
		return Keyring{}, err
	}
	ring := Keyring{keys: append([]key{newKey()}, old.keys...)}
	if err := saveKeys(path, ring); err != nil {
		return Keyring{}, err
	}
	return ring, nil
}

func loadKeys(path string) (Keyring, error) {
	f, err := os.Open(path)
	if err != nil {
		return Keyring{}, fmt.Errorf("opening the payload keys: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return Keyring{}, fmt.Errorf("checking the payload keys: %w", err)
	}
	if !info.Mode().IsRegular() {
		return Keyring{}, fmt.Errorf("payload keys %s: not a regular file", path)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return Keyring{}, fmt.Errorf("payload keys %s: mode %04o lets others read or write it; set it to 0600",
			path, info.Mode().Perm())
	}
	raw, err := io.ReadAll(f)
	if err != nil {
		return Keyring{}, fmt.Errorf("reading the payload keys: %w", err)
	}
	ring, err := ParseKeys(string(raw))
	if err != nil {
		return Keyring{}, fmt.Errorf("reading %s: %w", path, err)
	}
	return ring, nil
}

func saveKeys(path string, ring Keyring) error {
	var b strings.Builder
	for _, k := range ring.keys {
		fmt.Fprintf(&b, "%s %s\n", k.id, base64.StdEncoding.EncodeToString(k.secret[:]))
	}
	if err := writeFileAtomic(path, []byte(b.String())); err != nil {
		return fmt.Errorf("writing the payload keys: %w", err)
	}
	return nil
}

// newKey draws a key and its id. Both are random: an id stands in plain text
// beside each payload and must say nothing.
func newKey() key {
	var k key
	id := make([]byte, 6)
	// crypto/rand.Read fills the slice or ends the process; it returns no error.
	_, _ = rand.Read(id)
	_, _ = rand.Read(k.secret[:])
	k.id = "k" + hex.EncodeToString(id)
	return k
}

// Seal encrypts a secret that is stored, under the first key. The name says what it
// is and whose; what is sealed under one name does not open under another.
func (r Keyring) Seal(name string, plain []byte) (string, error) {
	if len(r.keys) == 0 {
		return "", errors.New("sealing: the key ring is empty")
	}
	aead, err := r.keys[0].aead()
	if err != nil {
		return "", err
	}
	sealed := aead.Seal(nil, nil, plain, sealedData(r.keys[0].id, name))
	return r.keys[0].id + ":" + base64.StdEncoding.EncodeToString(sealed), nil
}

// Open decrypts what Seal made. The errors are ErrUnknownKey and ErrDamagedPayload.
func (r Keyring) Open(name, sealed string) ([]byte, error) {
	id, text, _ := strings.Cut(sealed, ":")
	for _, k := range r.keys {
		if k.id != id {
			continue
		}
		aead, err := k.aead()
		if err != nil {
			return nil, err
		}
		raw, err := base64.StdEncoding.DecodeString(text)
		if err != nil {
			return nil, ErrDamagedPayload
		}
		plain, err := aead.Open(nil, nil, raw, sealedData(id, name))
		if err != nil {
			return nil, ErrDamagedPayload
		}
		return plain, nil
	}
	return nil, fmt.Errorf("%w: %q", ErrUnknownKey, id)
}

func (k key) aead() (cipher.AEAD, error) {
	block, err := aes.NewCipher(k.secret[:])
	if err != nil {
		return nil, fmt.Errorf("making the cipher: %w", err)
	}
	aead, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		return nil, fmt.Errorf("making the cipher: %w", err)
	}
	return aead, nil
}

// sealedData binds the key and the name, and tells what is stored from payloads.
func sealedData(id, name string) []byte {
	return []byte("candidacy-sealed\x00" + id + "\x00" + name)
}
