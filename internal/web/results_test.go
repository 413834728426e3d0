package web

import (
	"slices"
	"testing"

	"candidacy/internal/result"
)

func TestWhatALaboratorySaysBesideAValue(t *testing.T) {
	q := func() *result.Quantity { return &result.Quantity{Value: "12.0", Unit: "g/dL"} }
	for _, c := range []struct {
		of   result.Result
		want []string
	}{
		{result.Result{}, nil},
		{result.Result{
			Interpretation: []string{"H", "QCF"}, ReferenceRange: &result.ReferenceRange{Low: q(), High: q()}, Specimen: "S-1",
			Performer: "Northmere", Order: "ORD-7", Note: "slightly haemolysed", Report: &result.Report{Conclusion: "see text"},
		}, []string{"laboratory: high, QCF", "usual 12.0 to 12.0", "specimen S-1", "Northmere", "order ORD-7", "note: slightly haemolysed", "report: see text"}},
		{result.Result{ReferenceRange: &result.ReferenceRange{Low: q()}, Report: &result.Report{}}, []string{"usual from 12.0"}},
		{result.Result{ReferenceRange: &result.ReferenceRange{High: q()}}, []string{"usual up to 12.0"}},
		{result.Result{ReferenceRange: &result.ReferenceRange{Text: "negative", High: q()}}, []string{"usual negative"}},
	} {
		if got := besideValue(c.of); !slices.Equal(got, c.want) {
			t.Errorf("%+v says %q, want %q", c.of, got, c.want)
		}
	}
}
