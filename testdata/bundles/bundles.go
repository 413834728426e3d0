// Package bundles holds the incoming laboratory files of the demonstration:
// FHIR R4 Bundles of invented people, made by the generator beside them.
package bundles

import "embed"

// Files are the bundles and their manifest.
//
//go:embed *.json
var Files embed.FS
