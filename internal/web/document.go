package web

import (
	"bytes"
	"fmt"
	"net/http"
	"strconv"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"candidacy/internal/incoming"
	"candidacy/internal/reading"
)

// What a laboratory sends as a document is shown as text at most, and otherwise given
// to be saved: nothing of it runs or is drawn in a page of this server.

// longestText is how much of a text stands in the page, in bytes.
const longestText = 16 << 10

// documentModel is one document of a message.
type documentModel struct {
	Title, Kind, Place string
	// Link saves it; empty when it stands elsewhere.
	Link string
	// Text is a text that is short enough to be read here.
	Text string
	// Pointer is where it stands, as the sender says.
	Pointer string
}

// savedAs are the media types that a document is saved under, each with the ending of
// its name and the bytes that it begins with. Of any other kind it is just bytes.
var savedAs = map[string]struct{ ending, begins, word string }{
	"application/pdf": {"pdf", "%PDF-", "PDF"},
	"image/jpeg":      {"jpg", "\xFF\xD8\xFF", "JPEG"},
	"image/png":       {"png", "\x89PNG\r\n\x1A\n", "PNG"},
	"application/rtf": {"rtf", `{\rtf`, "RTF"},
	"text/plain":      {"txt", "", "text"},
}

// kindOf is the media type that a document is saved under. One that is not what its
// sender says is just bytes.
func kindOf(d reading.Document) (media, ending, word string) {
	of, ok := savedAs[d.Type]
	if !ok || !bytes.HasPrefix(d.Data, []byte(of.begins)) || d.Type == "text/plain" && !utf8.Valid(d.Data) {
		return "application/octet-stream", "bin", "of another kind"
	}
	return d.Type, of.ending, of.word
}

// documentModels are those of one part of a message.
func documentModels(view incoming.View, part int, list []reading.Document) []documentModel {
	var models []documentModel
	for i, d := range list {
		m := documentModel{Title: d.Title, Place: d.Place, Pointer: d.Pointer}
		if m.Title == "" {
			m.Title = "Document " + strconv.Itoa(i+1)
		}
		if d.Data != nil {
			media, _, word := kindOf(d)
			m.Kind = fmt.Sprintf("%s, %d bytes", word, len(d.Data))
			m.Link = fmt.Sprintf("/incoming/%s/documents/%d/%d", view.ID, part, i)
			if media == "text/plain" && len(d.Data) <= longestText {
				m.Text = readable(d.Data)
			}
		}
		models = append(models, m)
	}
	return models
}

// messageDocument gives a document to be saved. Where the message holds something told
// in confidence it is not given, as little as the text of the message is shown.
func (s *server) messageDocument(c echo.Context) error {
	account, _ := signedIn(c)
	ctx, v := c.Request().Context(), s.viewer(account)
	view, err := s.Incoming.View(ctx, v.ID, c.Param("message"))
	if err != nil {
		return notThere(err)
	}
	m, err := s.messageModel(ctx, v, view, nil)
	if err != nil {
		return err
	}
	part, err := strconv.Atoi(c.Param("part"))
	if err != nil || m.Hidden || part < 0 || part >= len(view.Groups) {
		return errNotFound
	}
	n, err := strconv.Atoi(c.Param("document"))
	if err != nil || n < 0 || n >= len(view.Groups[part].Documents) {
		return errNotFound
	}
	d := view.Groups[part].Documents[n]
	if d.Data == nil {
		return errNotFound
	}
	return sendDocument(c, d, fmt.Sprintf("document-%d-%d", part+1, n+1))
}

// sendDocument gives a document to be saved under a name that tells nothing of it.
func sendDocument(c echo.Context, d reading.Document, name string) error {
	media, ending, _ := kindOf(d)
	header := c.Response().Header()
	header.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	header.Set("X-Content-Type-Options", "nosniff")
	header.Set(echo.HeaderContentDisposition, fmt.Sprintf(`attachment; filename="%s.%s"`, name, ending))
	return c.Blob(http.StatusOK, media, d.Data)
}
