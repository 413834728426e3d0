package signin

import (
	"strings"
	"testing"
)

func TestCheckPassword(t *testing.T) {
	for _, c := range []struct{ password, problem string }{
		{"eleven char", "shorter than 12"}, {"twelve chars", ""}, {"żółć żółć ż", "shorter than 12"}, {"żółć żółć żó", ""},
		{strings.Repeat("ab", 128), ""}, {strings.Repeat("ab", 129), "longer than 256"}, {"aaaaaaaaaaaaaaa", "again and again"},
		{"lindqvist-2026", "others know"}, {"Password12345", "others know"}, {"lindqvist and a long tail", ""}, {"long enough \xff\xfe", "not readable"},
	} {
		err := CheckPassword(c.password, "lindqvist", "Co")
		if c.problem == "" && err != nil || c.problem != "" && (err == nil || !strings.Contains(err.Error(), c.problem)) {
			t.Errorf("%q: %v, want %q", c.password, err, c.problem)
		}
		if err != nil && strings.Contains(err.Error(), c.password) {
			t.Errorf("the error repeats the password: %v", err)
		}
	}
}

// The User-Agents are of the forms that MDN describes: "User-Agent", and "Browser
// detection using the user agent".
func TestBrowser(t *testing.T) {
	for agent, want := range map[string]string{
		"Mozilla/5.0 (Windows NT 10.0; Win64; x64; rv:128.0) Gecko/20100101 Firefox/128.0":                                                        "Firefox on Windows",
		"Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/126.0.0.0 Safari/537.36":                         "Chrome on Windows",
		"Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/126.0.0.0 Safari/537.36 Edg/126.0.0.0":           "Edge on Windows",
		"Mozilla/5.0 (iPhone; CPU iPhone OS 17_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/17.5 Mobile/15E148 Safari/604.1": "Safari on an iPhone",
		"Mozilla/5.0 (iPhone; CPU iPhone OS 17_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) CriOS/126.0 Mobile/15E148 Safari/604.1":  "Chrome on an iPhone",
		"Mozilla/5.0 (Linux; Android 14) AppleWebKit/537.36 (KHTML, like Gecko) SamsungBrowser/25.0 Chrome/121.0.0.0 Mobile Safari/537.36":        "Samsung Internet on Android",
		"Mozilla/5.0 (Macintosh; Intel Mac OS X 14_5) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/17.5 Safari/605.1.15":                      "Safari on a Mac",
		"Mozilla/5.0 (X11; Linux x86_64) AppleWebKit/537.36 (KHTML, like Gecko) HeadlessChrome/126.0.0.0 Safari/537.36":                           "Chrome on Linux",
		"Go-http-client/1.1": "An unknown program", "": "An unknown program", "<script>": "An unknown program",
	} {
		if got := Browser(agent); got != want {
			t.Errorf("%s: %s, want %s", agent, got, want)
		}
	}
}
