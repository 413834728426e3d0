package oru

import (
	"cmp"
	"encoding/base64"
	"encoding/hex"
	"slices"
	"strings"

	"candidacy/internal/reading"
)

// The value types of documents (chapter 2A): encapsulated data, and a pointer to data
// that stands elsewhere.
const (
	encapsulated = "ED"
	pointer      = "RP"
)

// mediaTypes are those of the subtypes of HL7 table 0291 that people can read.
var mediaTypes = map[string]string{
	"PDF": "application/pdf", "PLAIN": "text/plain", "TEXT": "text/plain", "HTML": "text/html", "RTF": "application/rtf", "XML": "application/xml",
	"X-HL7-CDA-LEVEL-ONE": "application/xml", "JPEG": "image/jpeg", "PNG": "image/png", "TIFF": "image/tiff",
}

// plainTypes are the types of data of HL7 table 0191 that are text without a subtype.
var plainTypes = []string{"TEXT", "TX", "FT", "NS"}

// documents are what the values of an OBX hold or point to, for a person: no rule
// reads them.
func (w *walk) documents(obx line) []reading.Document {
	kind := w.text(obx.Field(2).Component(1).First())
	if kind != encapsulated && kind != pointer {
		return nil
	}
	var list []reading.Document
	for _, each := range obx.Field(5) {
		d := reading.Document{Place: obx.field(5).String(), Title: w.words(obx.Field(3).Repetition(0))}
		part := func(number int) string { return w.text(each.Component(number).First()) }
		if kind == pointer {
			d.Type, d.Pointer = mediaType(part(3), part(4)), part(1)
		} else {
			d.Type, d.Data = mediaType(part(2), part(3)), w.decode(part(4), each.Component(5).First())
		}
		if d.Data != nil || d.Pointer != "" {
			list = append(list, d)
		}
	}
	return list
}

func mediaType(kind, subtype string) string {
	kind, subtype = strings.ToUpper(kind), strings.ToUpper(subtype)
	// Some write the media type into one component, or into both.
	_, last, _ := strings.Cut(kind, "/")
	found := cmp.Or(mediaTypes[subtype], mediaTypes[last])
	if found == "" && subtype == "" && slices.Contains(plainTypes, kind) {
		return "text/plain"
	}
	return found
}

// decode reads encapsulated data, nil where it is not what its encoding says (HL7
// table 0299).
func (w *walk) decode(encoding, data string) []byte {
	switch strings.ToUpper(encoding) {
	case "A", "":
		return []byte(w.message.Text(data))
	case "HEX":
		raw, err := hex.DecodeString(strings.Join(strings.Fields(w.message.Text(data)), ""))
		if err != nil {
			return nil
		}
		return raw
	case "BASE64":
		text := strings.TrimRight(strings.Join(strings.Fields(w.message.Text(data)), ""), "=")
		raw, err := base64.RawStdEncoding.DecodeString(text)
		if err != nil {
			return nil
		}
		return raw
	default:
		return nil
	}
}
