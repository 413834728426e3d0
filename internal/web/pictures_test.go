package web

import (
	"bytes"
	"cmp"
	"flag"
	"image"
	"image/color"
	"image/png"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	browserpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

var keepScreens = flag.Bool("screens", false, "write pictures of the pages to testdata/screens")

// screens is where they lie.
var screens = filepath.Join("..", "..", "testdata", "screens")

// keep writes what the screen shows, light and dark, where that is asked for.
func (s *screen) keep(name string) {
	s.t.Helper()
	if !*keepScreens {
		return
	}
	for _, scheme := range []string{"dark", "light"} {
		s.colours("", scheme)
		picture, err := chromedp.Call(s.ctx, browserpage.CaptureScreenshot, browserpage.CaptureScreenshotParams{Format: browserpage.CaptureScreenshotFormatPng})
		must(s.t, err)
		must(s.t, os.WriteFile(filepath.Join(screens, name+"-"+scheme+".png"), smaller(s.t, picture.Data), 0o600))
	}
}

// smaller draws a picture with its most frequent 256 colours, each other one by the
// nearest of them: pages have few colours, and the edges of letters many.
func smaller(t *testing.T, data []byte) []byte {
	t.Helper()
	from, err := png.Decode(bytes.NewReader(data))
	must(t, err)
	count := map[color.RGBA]int{}
	at := func(x, y int) color.RGBA { return color.RGBAModel.Convert(from.At(x, y)).(color.RGBA) }
	bounds := from.Bounds()
	for y := range bounds.Dy() {
		for x := range bounds.Dx() {
			count[at(x, y)]++
		}
	}
	order := func(a, b color.RGBA) int {
		return cmp.Or(count[b]-count[a], int(a.R)-int(b.R), int(a.G)-int(b.G), int(a.B)-int(b.B))
	}
	colours := slices.SortedFunc(maps.Keys(count), order)
	var palette color.Palette
	for _, c := range colours[:min(256, len(colours))] {
		palette = append(palette, c)
	}
	index := map[color.RGBA]uint8{}
	for _, c := range colours {
		index[c] = uint8(palette.Index(c))
	}
	to := image.NewPaletted(bounds, palette)
	for y := range bounds.Dy() {
		for x := range bounds.Dx() {
			to.SetColorIndex(x, y, index[at(x, y)])
		}
	}
	var out bytes.Buffer
	encoder := png.Encoder{CompressionLevel: png.BestCompression}
	must(t, encoder.Encode(&out, to))
	return out.Bytes()
}
