package fhir

import (
	"mime"
	"net/http"
	"strconv"
	"strings"
)

// acceptable refuses to answer a client that wants something other than JSON.
// The _format parameter, when given, overrides the Accept header.
func acceptable(r *http.Request, format string) error {
	if format != "" {
		// A plus sign that was not escaped in the URL arrives as a blank.
		if jsonType(strings.ReplaceAll(format, " ", "+")) {
			return nil
		}
		return notJSON()
	}
	accept := r.Header.Values("Accept")
	if len(accept) == 0 {
		return nil
	}
	for _, wanted := range strings.Split(strings.Join(accept, ","), ",") {
		if wanted = strings.TrimSpace(wanted); wanted == "" || jsonType(wanted) {
			return nil
		}
	}
	return notJSON()
}

func notJSON() *failure {
	return &failure{status: http.StatusNotAcceptable, code: "not-supported", diagnostics: "only application/fhir+json is available"}
}

// jsonType reports whether a media range takes in FHIR JSON of R4.
func jsonType(text string) bool {
	media, params, err := mime.ParseMediaType(text)
	if err != nil {
		return false
	}
	if q, ok := params["q"]; ok {
		if weight, err := strconv.ParseFloat(q, 64); err != nil || weight <= 0 {
			return false
		}
	}
	if v, ok := params["fhirversion"]; ok && v != "4.0" && v != "4.0.1" {
		return false
	}
	switch media {
	case "application/fhir+json", "application/json", "text/json", "json", "application/*", "*/*":
		return true
	default:
		return false
	}
}

// strict reports whether the client wants unknown parameters refused.
func strict(h http.Header) bool {
	for _, line := range h.Values("Prefer") {
		for _, preference := range strings.FieldsFunc(line, func(r rune) bool { return r == ',' || r == ';' }) {
			name, v, _ := strings.Cut(preference, "=")
			if strings.EqualFold(strings.TrimSpace(name), "handling") {
				return strings.EqualFold(strings.Trim(strings.TrimSpace(v), `"`), "strict")
			}
		}
	}
	return false
}
