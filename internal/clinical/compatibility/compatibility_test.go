package compatibility

import (
	"errors"
	"strings"
	"testing"

	"candidacy/internal/clinical"
)

func wantError(t *testing.T, err error, code clinical.Code, field string) {
	t.Helper()
	var e *clinical.Error
	if !errors.As(err, &e) || e.Code != code || e.Field != field {
		t.Errorf("got %v, want the code %s for %s", err, code, field)
	}
}

// reasons joins the reasons of one weight.
func reasons(c clinical.Conclusion, weight clinical.Weight) string {
	var list []string
	for _, r := range c.Reasons {
		if r.Weight == weight {
			list = append(list, r.Text)
		}
	}
	return strings.Join(list, "\n")
}

func wantReason(t *testing.T, c clinical.Conclusion, weight clinical.Weight, part string) {
	t.Helper()
	if !strings.Contains(reasons(c, weight), part) {
		t.Errorf("no reason of weight %s has %q: %v", weight, part, c.Reasons)
	}
}

func wantComplete(t *testing.T, c clinical.Conclusion) {
	t.Helper()
	if c.Question == "" || c.Answer == "" || c.Rule == "" || c.Source == "" || len(c.Reasons) == 0 || len(c.Inputs) == 0 {
		t.Errorf("the conclusion is bare: %+v", c)
	}
	for _, r := range c.Reasons {
		if r.Source == "" || r.Text == "" || r.Weight == "" {
			t.Errorf("the reason is bare: %+v", r)
		}
	}
}
