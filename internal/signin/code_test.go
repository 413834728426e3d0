package signin

import (
	"bytes"
	"encoding/base32"
	"image/png"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/boombuler/barcode/qr"
	"github.com/pquerna/otp"
)

// TestMatch holds codes against RFC 6238, Appendix B: the SHA-1 column has 8 digits of
// the same number, of which six are the last six.
func TestMatch(t *testing.T) {
	secret := base32.StdEncoding.EncodeToString([]byte("12345678901234567890"))
	for _, c := range []struct {
		unix int64
		code string
	}{
		{59, "94287082"}, {1111111109, "07081804"}, {1111111111, "14050471"}, {1234567890, "89005924"}, {2000000000, "69279037"}, {20000000000, "65353130"},
	} {
		now := time.Unix(c.unix, 0)
		six := c.code[2:]
		step, ok, err := Match(secret, " "+six[:3]+" "+six[3:], now)
		if err != nil || !ok || step != c.unix/30 {
			t.Errorf("%d: %d, %t, %v", c.unix, step, ok, err)
		}
		for shift, want := range map[time.Duration]bool{Period: true, -Period: true, 2 * Period: false, -2 * Period: false} {
			if now.Add(shift).Unix() < 0 {
				continue // before there were any steps
			}
			if _, ok, err := Match(secret, six, now.Add(shift)); err != nil || ok != want {
				t.Errorf("%d, %s later: %t, %v", c.unix, shift, ok, err)
			}
		}
		for _, wrong := range []string{"", "0", c.code, six[:5], six + "0", "٩" + six[1:]} {
			if _, ok, err := Match(secret, wrong, now); err != nil || ok {
				t.Errorf("%q: %t, %v", wrong, ok, err)
			}
		}
	}
	if _, _, err := Match("not base 32!", "123456", time.Unix(59, 0)); err == nil {
		t.Error("a secret that can't be read passes")
	}
	if a, b := NewSecret(), NewSecret(); a == b || len(a) != 32 {
		t.Errorf("secrets %d long, equal: %t", len(a), a == b)
	}
}

// TestPicture compares the picture with one that the library draws of the address
// alone, and the address with the format of authenticator apps
// (github.com/google/google-authenticator/wiki/Key-Uri-Format).
func TestPicture(t *testing.T) {
	secret := NewSecret()
	picture, err := Picture("Candidacy", "cora", secret)
	if err != nil {
		t.Fatal(err)
	}
	drawn, err := png.Decode(bytes.NewReader(picture))
	if err != nil {
		t.Fatal(err)
	}
	want := otpauth(t, secret)
	code, err := qr.Encode(want, qr.M, qr.Auto)
	if err != nil {
		t.Fatal(err)
	}
	// Modules are found by the size that the picture has without its margin.
	inner := drawn.Bounds().Dx() - 2*quiet*module
	n := code.Bounds().Dx()
	side := inner / n
	offset := quiet*module + (inner-side*n)/2
	differ := 0
	for x := range n {
		for y := range n {
			r, _, _, _ := drawn.At(offset+x*side+side/2, offset+y*side+side/2).RGBA()
			w, _, _, _ := code.At(x, y).RGBA()
			if (r > 0x7fff) != (w > 0x7fff) {
				differ++
			}
		}
	}
	if differ > 0 {
		t.Errorf("%d of %d modules differ", differ, n*n)
	}
	for i := range drawn.Bounds().Dx() {
		if r, _, _, _ := drawn.At(i, quiet*module-1).RGBA(); r != 0xffff {
			t.Fatal("the margin is not white")
		}
	}
	if _, err := Picture("Candidacy", "cora", "!"); err == nil || strings.Contains(err.Error(), "!") {
		t.Errorf("a bad secret: %v", err)
	}
}

func otpauth(t *testing.T, secret string) string {
	t.Helper()
	key, err := otp.NewKeyFromURL("otpauth://totp/Candidacy:cora?algorithm=SHA1&digits=6&issuer=Candidacy&period=30&secret=" + secret)
	if err != nil {
		t.Fatal(err)
	}
	u, err := url.Parse(key.URL())
	if err != nil || u.Query().Get("secret") != secret || key.Issuer() != "Candidacy" || key.AccountName() != "cora" {
		t.Fatalf("%v, %v", u, err)
	}
	return key.URL()
}

func TestRecoveryCodes(t *testing.T) {
	codes := NewRecoveryCodes()
	seen := map[string]bool{}
	for _, code := range codes {
		seen[code] = true
		shown := ShownCode(code)
		for _, typed := range []string{shown, code, " " + strings.ToLower(shown) + " ", strings.ReplaceAll(shown, "-", " "), strings.ReplaceAll(strings.ReplaceAll(code, "O", "0"), "I", "1")} {
			if got, ok := RecoveryCode(typed); !ok || got != code {
				t.Errorf("%q is read as %q, %t", typed, got, ok)
			}
		}
		if len(shown) != 19 {
			t.Errorf("%q", shown)
		}
	}
	if len(seen) != RecoveryCodes {
		t.Errorf("%d codes", len(seen))
	}
	for _, wrong := range []string{"", "123456", codes[0][1:], codes[0] + "A", "AAAA-AAAA-AAAA-AAA?"} {
		if _, ok := RecoveryCode(wrong); ok {
			t.Errorf("%q has the form of a code", wrong)
		}
	}
}
