// Package fhir is what an electronic health record sees of a candidate: it maps
// a snapshot of the record to FHIR R4 (4.0.1) resources, and serves published
// resources over the read side of the FHIR REST interface.
//
// It decides nothing about candidates, computes no clinical value and accepts
// no data: results come in elsewhere. It does not authenticate; the caller's
// middleware does. Nothing of a recipient is known here, and the two ways in
// which a journey can end before an operation are indistinguishable in every
// resource.
package fhir
