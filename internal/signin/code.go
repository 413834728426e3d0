package signin

import (
	"bytes"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base32"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"strings"
	"time"

	"github.com/pquerna/otp"
	"github.com/pquerna/otp/hotp"
	"github.com/pquerna/otp/totp"
)

// Period is how long each code lasts, and drift how many periods a telephone's clock
// may be wrong in either direction. Source: RFC 6238, 5.2, which recommends 30 s and
// one step.
const (
	Period = 30 * time.Second
	drift  = 1
)

// codeOptions are what every authenticator app understands: six digits of HMAC-SHA-1.
var codeOptions = hotp.ValidateOpts{Digits: otp.DigitsSix, Algorithm: otp.AlgorithmSHA1}

// secretBytes is the length that RFC 4226, 4 (R6) recommends: 160 bits.
const secretBytes = 20

var alphabet = base32.StdEncoding.WithPadding(base32.NoPadding)

// NewSecret is the secret of a second factor, in base 32 as people may type it.
func NewSecret() string {
	b := make([]byte, secretBytes)
	_, _ = rand.Read(b) // never fails since Go 1.24
	return alphabet.EncodeToString(b)
}

// Step is the step of time that an instant is in.
func Step(at time.Time) int64 { return at.Unix() / int64(Period/time.Second) }

// Match reports whether a code is that of the secret about now, and of which step it
// is. Whoever accepts it has to see to it that no code of that step or of an earlier
// one is accepted again.
func Match(secret, code string, now time.Time) (step int64, ok bool, err error) {
	code = strings.ReplaceAll(strings.TrimSpace(code), " ", "")
	at := Step(now)
	for s := at - drift; s <= at+drift; s++ {
		want, err := hotp.GenerateCodeCustom(secret, uint64(s), codeOptions) //nolint:gosec // steps since 1970
		if err != nil {
			return 0, false, fmt.Errorf("make the code to compare with: %w", err)
		}
		// Every step is compared, so that the time taken tells nothing.
		if subtle.ConstantTimeCompare([]byte(want), []byte(code)) == 1 {
			step, ok = s, true
		}
	}
	return step, ok, nil
}

// quiet is the margin of a QR code in modules, which ISO/IEC 18004, 6.3.8 asks for, and
// module the size of a module in pixels.
const (
	quiet  = 4
	module = 5
)

// Picture is the QR code that an authenticator app reads the secret from, as a PNG.
func Picture(issuer, account, secret string) ([]byte, error) {
	raw, err := alphabet.DecodeString(secret)
	if err != nil {
		return nil, fmt.Errorf("read the secret: %w", err)
	}
	key, err := totp.Generate(totp.GenerateOpts{
		Issuer: issuer, AccountName: account, Secret: raw, Period: uint(Period / time.Second), Digits: codeOptions.Digits, Algorithm: codeOptions.Algorithm,
	})
	if err != nil {
		return nil, fmt.Errorf("make the address of the secret: %w", err)
	}
	const side = 400 // no smaller than the code's own modules
	code, err := key.Image(side, side)
	if err != nil {
		return nil, fmt.Errorf("draw the code: %w", err)
	}
	around := code.Bounds().Inset(-quiet * module)
	framed := image.NewGray(image.Rect(0, 0, around.Dx(), around.Dy()))
	draw.Draw(framed, framed.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.Draw(framed, code.Bounds().Add(image.Pt(quiet*module, quiet*module)), code, code.Bounds().Min, draw.Src)
	var out bytes.Buffer
	if err := png.Encode(&out, framed); err != nil {
		return nil, fmt.Errorf("encode the picture: %w", err)
	}
	return out.Bytes(), nil
}

// RecoveryCodes is how many codes stand in for a telephone that was lost, and
// recoveryBytes how long each is: 80 bits are not guessed, however fast it is tried.
const (
	RecoveryCodes = 10
	recoveryBytes = 10
)

// NewRecoveryCodes are codes of which each is good once, as they are stored: see
// ShownCode.
func NewRecoveryCodes() []string {
	codes := make([]string, RecoveryCodes)
	for i := range codes {
		b := make([]byte, recoveryBytes)
		_, _ = rand.Read(b) // never fails since Go 1.24
		codes[i] = alphabet.EncodeToString(b)
	}
	return codes
}

// ShownCode is a recovery code or a secret in groups of four, as people read it.
func ShownCode(code string) string {
	var groups []string
	for len(code) > 4 {
		groups, code = append(groups, code[:4]), code[4:]
	}
	return strings.Join(append(groups, code), "-")
}

// mistaken are signs that base 32 leaves out because they look like others.
var mistaken = strings.NewReplacer("-", "", " ", "", "0", "O", "1", "I", "8", "B")

// RecoveryCode is how what somebody typed as a recovery code is stored, and whether it
// has the form of one.
func RecoveryCode(typed string) (string, bool) {
	code := mistaken.Replace(strings.ToUpper(strings.TrimSpace(typed)))
	raw, err := alphabet.DecodeString(code)
	return code, err == nil && len(raw) == recoveryBytes && code == alphabet.EncodeToString(raw)
}
