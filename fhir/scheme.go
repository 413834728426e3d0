package fhir

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
)

// mapping is the version of what is made of a record, apart from the parameters
// by which it is searched. Raise it with every change of a builder that is to
// reach candidates who get no further command.
const mapping = 4

// Scheme names how resources are made and indexed. What was published under
// another one is published again when the program starts.
func Scheme() string {
	h := sha256.New()
	_, _ = fmt.Fprintln(h, mapping) // a hash takes everything
	for _, typ := range typeOrder {
		for _, p := range append(types[typ].params, commonParams...) {
			_, _ = fmt.Fprintln(h, typ, p.name, p.definition, p.system, p.targets, p.use, p.parts, p.always)
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}
