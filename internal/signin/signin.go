// Package signin holds what signing in stands on beside the store: passwords that are
// accepted, one-time codes (RFC 6238), recovery codes, and sign-in by an identity
// provider (OpenID Connect). It keeps nothing and serves no page.
package signin

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// Bounds of a password that somebody chooses. NIST SP 800-63B asks for length and no
// rule of composition, and for at least 64 characters to be accepted; the upper bound
// keeps what is hashed small.
const (
	ShortestPassword = 12
	LongestPassword  = 256
)

// CheckPassword returns why a password is not accepted. The names are those of the
// account, which anybody can guess.
func CheckPassword(password string, names ...string) error {
	n := utf8.RuneCountInString(password)
	switch {
	case n < ShortestPassword:
		return fmt.Errorf("shorter than %d characters", ShortestPassword)
	case n > LongestPassword:
		return fmt.Errorf("longer than %d characters", LongestPassword)
	case !utf8.ValidString(password):
		return errors.New("not readable as text")
	}
	plain := strings.ToLower(password)
	for _, name := range append(names, "candidacy", "password") {
		name = strings.ToLower(strings.TrimSpace(name))
		// What is left beside a known word has to be long enough by itself.
		if utf8.RuneCountInString(name) >= 3 && strings.Contains(plain, name) &&
			utf8.RuneCountInString(strings.ReplaceAll(plain, name, "")) < ShortestPassword {
			return errors.New("hardly more than a word that others know, such as your username")
		}
	}
	if strings.Trim(plain, plain[:1]) == "" {
		return errors.New("one character again and again")
	}
	return nil
}

// The words of a User-Agent that tell browsers and systems apart. Each browser also
// names those that it wants to be taken for, so the order decides.
var (
	browserWords = []struct{ mark, word string }{
		{"Edg", "Edge"}, {"OPR/", "Opera"}, {"SamsungBrowser", "Samsung Internet"}, {"Firefox", "Firefox"}, {"FxiOS", "Firefox"},
		{"CriOS", "Chrome"}, {"Chrome", "Chrome"}, {"Safari", "Safari"}, {"curl", "curl"},
	}
	systemWords = []struct{ mark, word string }{
		{"iPhone", "an iPhone"}, {"iPad", "an iPad"}, {"Android", "Android"}, {"Windows", "Windows"}, {"CrOS", "ChromeOS"},
		{"Macintosh", "a Mac"}, {"Linux", "Linux"},
	}
)

// Browser says in plain words what kind of browser sends a User-Agent, such as
// "Firefox on Windows". Nothing of what was sent is repeated.
func Browser(agent string) string {
	browser, system := "An unknown program", ""
	for _, each := range browserWords {
		if strings.Contains(agent, each.mark) {
			browser = each.word
			break
		}
	}
	for _, each := range systemWords {
		if strings.Contains(agent, each.mark) {
			system = " on " + each.word
			break
		}
	}
	return browser + system
}
