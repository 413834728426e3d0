package intake

import (
	"encoding/base64"
	"fmt"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/internal/reading"
)

// documentsOf are the attachments of a report, for a person: no rule reads them.
func documentsOf(e Entry) []reading.Document {
	if e.Type != "DiagnosticReport" {
		return nil
	}
	r, err := r4.UnmarshalDiagnosticReport(unescape(e.Resource))
	if err != nil {
		return nil
	}
	var list []reading.Document
	for i, a := range r.PresentedForm {
		media, _, _ := strings.Cut(text(a.ContentType), ";")
		d := reading.Document{
			Place: fmt.Sprintf("%s.presentedForm[%d]", e.Place, i), Title: text(a.Title), Type: strings.ToLower(strings.TrimSpace(media)), Pointer: text(a.Url),
		}
		if data, err := base64.StdEncoding.DecodeString(strings.Join(strings.Fields(text(a.Data)), "")); err == nil && len(data) > 0 {
			d.Data = data
		}
		if d.Data != nil || d.Pointer != "" {
			list = append(list, d)
		}
	}
	return list
}
