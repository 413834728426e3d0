package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"sync"

	"github.com/labstack/echo/v4"

	"candidacy/internal/audit"
)

// htmxConfig is what htmx is told on every page: nothing is evaluated, nothing inline
// is added, nothing comes from elsewhere and no page is kept in the browser. An answer
// without news (204, 304) or with an error changes nothing.
const htmxConfig = `{"allowEval":false,"allowScriptTags":false,"includeIndicatorStyles":false,"selfRequestsOnly":true,` +
	`"historyEnabled":false,"historyCacheSize":0,"responseHandling":[{"code":"204|304","swap":false},{"code":"[23]..","swap":true},` +
	`{"code":"422","swap":true},{"code":"[45]..","swap":false,"error":true}]}`

// Headers of requests that a script makes. One that is made again and again by itself
// is a poll, and no sign that anybody is there.
const (
	headerHTMX = "HX-Request"
	headerPoll = "Candidacy-Poll"
)

// leastPacked is the size in bytes under which packing saves no packet.
const leastPacked = 1200

var packers = sync.Pool{New: func() any { return gzip.NewWriter(nil) }}

// packed is a text in gzip.
func packed(text []byte) ([]byte, error) {
	w := packers.Get().(*gzip.Writer)
	defer packers.Put(w)
	var out bytes.Buffer
	w.Reset(&out)
	if _, err := w.Write(text); err != nil {
		return nil, fmt.Errorf("pack: %w", err)
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("pack: %w", err)
	}
	return out.Bytes(), nil
}

// takesGzip reports whether the client can unpack gzip.
func takesGzip(r *http.Request) bool {
	for part := range strings.SplitSeq(r.Header.Get(echo.HeaderAcceptEncoding), ",") {
		name, weight, _ := strings.Cut(part, ";")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") {
			return strings.ReplaceAll(strings.TrimSpace(weight), " ", "") != "q=0"
		}
	}
	return false
}

// send answers with a page. Whoever shows the very same page already is told that
// nothing has changed, and learns nothing by it.
func (s *server) send(c echo.Context, status int, body []byte) error {
	header, r := c.Response().Header(), c.Request()
	header.Add(echo.HeaderVary, echo.HeaderAcceptEncoding)
	if status == http.StatusOK && r.Method == http.MethodGet {
		sum := sha256.Sum256(body)
		tag := `W/"` + hex.EncodeToString(sum[:16]) + `"`
		header.Set("ETag", tag)
		if r.Header.Get("If-None-Match") == tag {
			audit.Nothing(r.Context())
			return c.NoContent(http.StatusNotModified)
		}
	}
	if len(body) >= leastPacked && takesGzip(r) {
		small, err := packed(body)
		if err != nil {
			return err
		}
		header.Set(echo.HeaderContentEncoding, "gzip")
		body = small
	}
	return c.HTMLBlob(status, body)
}

// cookieDone tells the script which of the forms that it keeps was carried out. It
// holds the number that the script gave and nothing else.
const cookieDone = "candidacy-done"

var draftNumber = regexp.MustCompile(`^[0-9a-f]{32}$`)

// acknowledge says which form was carried out, as soon as its answer is decided.
func (s *server) acknowledge(c echo.Context) {
	r := c.Request()
	if r.Method != http.MethodPost {
		return
	}
	c.Response().Before(func() {
		if status := c.Response().Status; status != http.StatusOK && status != http.StatusSeeOther {
			return
		}
		if number := r.PostForm.Get("draft"); draftNumber.MatchString(number) {
			c.SetCookie(&http.Cookie{Name: cookieDone, Value: number, Path: "/", Secure: s.Secure, SameSite: http.SameSiteStrictMode, MaxAge: 600})
		}
	})
}
