package oru_test

import (
	"strings"
	"testing"

	"candidacy/internal/reading"
	messages "candidacy/testdata/hl7"
)

// TestDocuments reads encapsulated data and pointers, as chapter 2A of HL7 v2.5 has
// them, whether or not the protocol knows the code. None becomes a result.
func TestDocuments(t *testing.T) {
	for _, tt := range []struct {
		name, value string
		want        reading.Document
	}{
		{"a PDF", "ED|X1^Letter^L||LAB^Application^PDF^Base64^JVBERi0xLjQg", reading.Document{Title: "Letter", Type: "application/pdf", Data: []byte("%PDF-1.4 ")}},
		{"without the signs at the end", "ED|X1^Letter^L||LAB^AP^pdf^BASE64^JVBERi0xLjQ", reading.Document{Title: "Letter", Type: "application/pdf", Data: []byte("%PDF-1.4")}},
		{"a media type", "ED|X1||^application/pdf^^Base64^JVBERi0xLjQg", reading.Document{Title: "X1", Type: "application/pdf", Data: []byte("%PDF-1.4 ")}},
		{"a text with escapes", `ED|X1||^TEXT^^A^size 5 \T\ more`, reading.Document{Title: "X1", Type: "text/plain", Data: []byte("size 5 & more")}},
		{"hexadecimal", "ED|X1||^IM^PNG^Hex^89504E47", reading.Document{Title: "X1", Type: "image/png", Data: []byte("\x89PNG")}},
		{"of no known kind", "ED|X1||^AU^basic^A^x", reading.Document{Title: "X1", Data: []byte("x")}},
		{"a pointer", "RP|X1||https://pacs.example/1&x^PACS^IM^JPEG", reading.Document{Title: "X1", Type: "image/jpeg", Pointer: "https://pacs.example/1"}},
		{"not what its encoding says", "ED|X1||^AP^PDF^Base64^%%%", reading.Document{}},
		{"an encoding that nobody knows", "ED|X1||^AP^PDF^rot13^x", reading.Document{}},
	} {
		m, err := read(standard, messages.Changed(messages.Potassium, "OBX|1|"+tt.value+"||||||F"))
		if err != nil || len(m.Groups) != 1 || len(m.Groups[0].Results) != 0 || len(m.Groups[0].Issues) == 0 {
			t.Errorf("%s: %v, %+v", tt.name, err, m)
			continue
		}
		got := m.Groups[0].Documents
		if tt.want.Title == "" {
			if len(got) > 0 {
				t.Errorf("%s is read as %+v", tt.name, got)
			}
			continue
		}
		if len(got) != 1 || got[0].Title != tt.want.Title || got[0].Type != tt.want.Type || string(got[0].Data) != string(tt.want.Data) || got[0].Pointer != tt.want.Pointer ||
			!strings.HasPrefix(got[0].Place, "OBX[1]-5") && got[0].Place != "OBX-5" {
			t.Errorf("%s is read as %+v", tt.name, got)
		}
	}
}
