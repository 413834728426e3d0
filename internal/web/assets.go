package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"

	"github.com/labstack/echo/v4"
)

//go:embed assets
var assetFiles embed.FS

// assets are the embedded files under names that hold the hash of their
// content, so that they may be kept for ever.
type assets struct {
	named   map[string]string // app.css -> app.0123456789ab.css
	content map[string][]byte
	packed  map[string][]byte // the same in gzip
}

func loadAssets() (assets, error) {
	a := assets{named: map[string]string{}, content: map[string][]byte{}, packed: map[string][]byte{}}
	err := fs.WalkDir(assetFiles, "assets", func(file string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		content, err := assetFiles.ReadFile(file)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(content)
		base, extension := path.Base(file), path.Ext(file)
		hashed := strings.TrimSuffix(base, extension) + "." + hex.EncodeToString(sum[:6]) + extension
		a.named[base], a.content[hashed] = hashed, content
		a.packed[hashed], err = packed(content)
		return err
	})
	if err != nil {
		return a, fmt.Errorf("read the embedded assets: %w", err)
	}
	return a, nil
}

// path returns where an asset is served.
func (a assets) path(name string) (string, error) {
	hashed, ok := a.named[name]
	if !ok {
		return "", fmt.Errorf("there is no asset %q", name)
	}
	return "/assets/" + hashed, nil
}

func (s *server) asset(c echo.Context) error {
	content, ok := s.assets.content[c.Param("name")]
	if !ok {
		return errNotFound
	}
	header := c.Response().Header()
	header.Set("Cache-Control", "public, max-age=31536000, immutable")
	header.Add(echo.HeaderVary, echo.HeaderAcceptEncoding)
	if small := s.assets.packed[c.Param("name")]; len(content) >= leastPacked && takesGzip(c.Request()) {
		header.Set(echo.HeaderContentEncoding, "gzip")
		content = small
	}
	return c.Blob(http.StatusOK, mime.TypeByExtension(path.Ext(c.Param("name"))), content)
}
