package web

import (
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// plasmaModels are an empty worksheet, and one that is filled in and refused.
func plasmaModels() []any {
	sc := scene{protocol: protocoltest.Brief(), viewer: &viewer{Account: record.Account{ID: "clem", Role: journey.Clinician}}, today: "2026-09-16"}
	s := &server{}
	empty := s.plasmaModel(sc, url.Values{}, nil)
	full := s.plasmaModel(sc, studyA(), []problem{{Text: "Wrong.", Field: "day"}, {Text: "Wrong.", Field: "time-1"}, {Text: "Wrong.", Field: "refused"}})
	full.Draft, full.Correcting, full.Closed, full.Studies = "d", "c", "x", []studyModel{{"d", "d", "s", "/"}}
	full.Refused = &field{ID: "plasma-refused", Name: "refused", Label: "l", Type: "checkbox"}
	return []any{empty, full}
}

// studyA is case A of the worked examples: 5.00 mL of 300 mgI/mL, which is 3235 mg.
func studyA() url.Values {
	return url.Values{
		"study": {"a"}, "day": {"2026-09-15"}, "began": {"08:00"}, "dose_by": {byVolume}, "solution": {"300 mgI/mL"}, "drawn_ml": {"5.04"}, "left_ml": {"0.04"},
		"extravasation": {"no"}, "height": {"172"}, "weight": {"68"},
		"time-1": {"120"}, "value-1": {"127.4"}, "unit-1": {"ug/mL"}, "time-2": {"11:00"}, "value-2": {"91.2"}, "unit-2": {"mg/L"},
		"time-3": {"240"}, "value-3": {"65.3"}, "unit-3": {"ug/mL"},
	}
}

func with(v url.Values, pairs ...string) url.Values {
	out := url.Values{}
	for name, values := range v {
		out[name] = values
	}
	for i := 0; i < len(pairs); i += 2 {
		out.Set(pairs[i], pairs[i+1])
	}
	return out
}

func nothingOnRecord(string, journey.Date) (result.Result, bool) { return result.Result{}, false }

// TestPlasmaReads reads worksheets: what can't be read has a message beside its field,
// and no number follows from the rest.
func TestPlasmaReads(t *testing.T) {
	for _, tt := range []struct {
		name   string
		values url.Values
		field  string
		text   string
	}{
		{"a time without a concentration", with(studyA(), "value-2", ""), "value-2", "clear the time"},
		{"a concentration without a time", with(studyA(), "time-2", " "), "time-2", "clear its concentration"},
		{"a half-typed number", with(studyA(), "value-2", "91."), "value-2", "not a number"},
		{"a decimal comma", with(studyA(), "value-2", "91,2"), "value-2", "point for decimals"},
		{"a unit that is none", with(studyA(), "unit-2", "mg/mL"), "value-2", "unit"},
		{"an implausible concentration", with(studyA(), "value-2", "9120"), "value-2", "plausible"},
		{"a time of no clock", with(studyA(), "time-2", "11:"), "time-2", "Neither minutes"},
		{"a time before the injection", with(studyA(), "time-2", "07:59"), "time-2", "Not after the middle"},
		{"a time twice", with(studyA(), "time-3", "180"), "time-3", "Sample 2 has the same time"},
		{"a time of day without an injection", with(studyA(), "began", ""), "time-2", "needs the day"},
		{"an injection that ends first", with(studyA(), "ended", "07:58"), "ended", "before it begins"},
		{"no day", with(studyA(), "day", "2026-02-30"), "day", "calendar"},
		{"more left than drawn up", with(studyA(), "left_ml", "6"), "left_ml", "drawn up"},
		{"a dose in grams", with(studyA(), "dose_by", byAmount, "drawn_ml", "", "left_ml", "", "drawn_mg", "3.235", "left_mg", "0"), "drawn_mg", "plausible"},
		{"fields of another way", with(studyA(), "drawn_mg", "3235"), "drawn_mg", "Not used"},
		{"no solution", with(studyA(), "solution", ""), "solution", "solution"},
		{"a height in metres", with(studyA(), "height", "1.72"), "height", "typical of m"},
	} {
		s := readPlasma(protocoltest.Brief(), tt.values, nothingOnRecord)
		found := false
		for _, p := range s.wrong {
			found = found || p.Field == tt.field && strings.Contains(p.Text, tt.text)
		}
		if !found || s.known() {
			t.Errorf("%s: got %+v", tt.name, s.wrong)
		}
		sc := scene{protocol: protocoltest.Brief(), today: "2026-09-16"}
		if l := live(sc, s); l.Value != "" {
			t.Errorf("%s: the number %s is shown", tt.name, l.Value)
		}
	}
	for field, want := range map[string]string{"extravasation": "beside the vein", "weight": "weight", "drawn_ml": "drawn up", "day": "day", "began": "began", "dose_by": "known"} {
		s := readPlasma(protocoltest.Brief(), with(studyA(), field, ""), nothingOnRecord)
		found := false
		for _, p := range s.missing {
			found = found || p.Field == field && strings.Contains(p.Text, want)
		}
		if !found {
			t.Errorf("without %s: got %+v", field, s.missing)
		}
	}
}

// TestPlasmaNumbers compares the numbers of the page with the published inputs and
// check values in testdata/worked-examples.
func TestPlasmaNumbers(t *testing.T) {
	p := protocoltest.Brief()
	sc := scene{protocol: p, today: "2026-09-16"}
	weighed := with(studyA(), "dose_by", byWeighing, "drawn_ml", "", "left_ml", "", "full_g", "16.745", "empty_g", "10", "density", "1.349")
	for _, tt := range []struct {
		name, value, absolute string
		values                url.Values
	}{
		// slope_bm_norm and slope_cl1 of case A; the same dose by weighing and by amount.
		{"case A", "63.0 mL/min/1.73 m²", "65.7 mL/min", studyA()},
		{"case A by weighing", "63.0 mL/min/1.73 m²", "65.7 mL/min", weighed},
		{"case A by amount", "63.0 mL/min/1.73 m²", "65.7 mL/min", with(studyA(), "dose_by", byAmount, "drawn_ml", "", "left_ml", "", "drawn_mg", "3250", "left_mg", "15")},
		// The injection takes four minutes: times of day count from its middle.
		{"case A, injected slowly", "63.0 mL/min/1.73 m²", "65.7 mL/min", with(studyA(), "began", "07:58", "ended", "08:02")},
		{"case B", "56.9 mL/min/1.73 m²", "51.0 mL/min", with(studyA(), "height", "160", "weight", "54", "time-1", "120", "value-1", "153.0", "time-2", "150", "value-2", "133.1", "time-3", "180", "value-3", "116.4", "time-4", "240", "value-4", "88.6", "unit-4", "ug/mL")},
		{"case C", "70.8 mL/min/1.73 m²", "88.5 mL/min", with(studyA(), "height", "185", "weight", "92", "value-1", "98.0", "time-2", "", "value-2", "", "value-3", "44.0")},
	} {
		s := readPlasma(p, tt.values, nothingOnRecord)
		l := live(sc, s)
		if l.Value != tt.value || l.Absolute != tt.absolute {
			t.Errorf("%s: %s, %s; wrong %+v, missing %+v, %s", tt.name, l.Value, l.Absolute, s.wrong, s.missing, l.Why)
		}
	}
	// Case D: the residual of 18.73 % refuses it, and the picture still shows it.
	l := live(sc, readPlasma(p, with(studyA(), "value-2", "118.0"), nothingOnRecord))
	if l.Value != "" || !strings.Contains(l.Why, "18.7 % off") || l.Curve == "" || !strings.Contains(string(l.Residuals), "−18.73") && !strings.Contains(string(l.Residuals), "+18.73") {
		t.Errorf("case D: %+v", l)
	}
	r2 := ""
	for _, check := range l.Checks {
		if strings.HasPrefix(check.Title, "r²") {
			r2 = check.Found
		}
	}
	if r2 != "0.8348" {
		t.Errorf("r squared of case D is shown as %q", r2)
	}
}

// TestPlasmaPicture finds each sample where the axis says it is, and a straight line
// for the late exponential.
func TestPlasmaPicture(t *testing.T) {
	p := protocoltest.Brief()
	s := readPlasma(p, with(studyA(), "time-4", "30", "value-4", "210", "unit-4", "ug/mL"), nothingOnRecord)
	e := p.EvaluatePlasma(s.study)
	picture := string(plasmaCurve(e))
	circles := regexp.MustCompile(`<circle class="([^"]+)" cx="([\d.]+)"`).FindAllStringSubmatch(picture, -1)
	if len(circles) != 4 || !strings.Contains(circles[0][1], "trend-early") || strings.Contains(circles[1][1], "trend-early") {
		t.Fatalf("the samples are drawn as %v", circles)
	}
	axis := axisOf(e)
	for i, minutes := range []float64{30, 120, 180, 240} {
		if x, _ := strconv.ParseFloat(circles[i][2], 64); x < axis.x(minutes)-0.06 || x > axis.x(minutes)+0.06 {
			t.Errorf("the sample of %g min is drawn at %g", minutes, x)
		}
	}
	if !regexp.MustCompile(`class="plot-late" d="M[\d.]+ [\d.]+L[\d.]+ [\d.]+"`).MatchString(picture) {
		t.Error("the late exponential is no straight line")
	}
}

// testPlasma records a study, corrects it, and finds on the candidate's page what the
// worksheet showed.
func testPlasma(t *testing.T, w *world, id string) {
	path := "/candidates/" + id + "/worksheets/plasma-clearance"
	clem := w.as("clem")
	typed := with(studyA(), "study", "study-one", "key", "plasma-one")
	page := clem.post(path, with(typed, "do", "compute", "value-3", ""))
	if page.status != http.StatusSeeOther {
		t.Fatalf("computing: %d", page.status)
	}
	page = clem.get(page.header.Get("Location"))
	page.has(t, `value="91.2"`, "clear the time of this sample", `href="#plasma-value-3"`, "Nothing of it is recorded yet")
	page.lacks(t, "live-value")
	// What was typed is there after leaving, for nobody else.
	clem.get(path).has(t, `value="91.2"`, `value="127.4"`, "only you see it")
	w.as("cora").get(path).lacks(t, `value="91.2"`)
	part := clem.part(path, with(typed, "do", "compute"))
	part.has(t, `id="plasma-live"`, "63.0 mL/min/1.73 m²", "Du Bois")
	part.lacks(t, "<html", "<form")

	before := candidateState(t, w, id).Seq
	if got := clem.post(path, with(typed, "do", "record", "weight", "")); got.status != http.StatusUnprocessableEntity {
		t.Errorf("a study without a weight: %d", got.status)
	}
	if got := clem.post(path, with(typed, "do", "record", "value-2", "118.0")); got.status != http.StatusUnprocessableEntity || !strings.Contains(got.body, "plasma-refused") {
		t.Errorf("a study that is refused: %d", got.status)
	}
	if after := candidateState(t, w, id).Seq; after != before {
		t.Errorf("%d entries were written", after-before)
	}
	for range 2 { // sent twice, recorded once
		if got := clem.post(path, with(typed, "do", "record")); got.status != http.StatusSeeOther {
			t.Fatalf("recording: %d", got.status)
		}
	}
	if after := candidateState(t, w, id).Seq; after != before+1 {
		t.Errorf("%d entries were written", after-before)
	}
	// What can't be read is told with its field, beside the result as well.
	clem.part(path, with(typed, "do", "compute", "value-2", "9x")).has(t, "Sample 2, concentration: this is not a number")
	clem.post(path, with(typed, "do", "discard"))
	clem.get("/candidates/"+id).has(t, "Measured GFR by plasma clearance", "63.0 mL/min/1.73 m²")
	clem.get(path).lacks(t, `value="91.2"`)

	// Two people correct the same study from the same state: the second is told.
	correction := path + "?study=study-one"
	filled := func() url.Values {
		page := clem.get(correction)
		seen := regexp.MustCompile(`name="seen" value="([^"]*)"`).FindStringSubmatch(page.body)
		page.has(t, `value="5.04"`, `value="08:00"`, "This corrects the study")
		return with(typed, "do", "record", "seen", strings.ReplaceAll(seen[1], "&#34;", `"`), "time-2", "180")
	}
	first, second := filled(), filled()
	if got := clem.post(path, with(first, "key", "plasma-two", "value-2", "91.4", "time-3", "", "value-3", "", "time-4", "240", "value-4", "65.3", "unit-4", "ug/mL")); got.status != http.StatusSeeOther {
		t.Fatalf("correcting: %d", got.status)
	}
	if got := w.as("cora").post(path, with(second, "key", "plasma-three", "value-2", "90.0")); got.status != http.StatusConflict {
		t.Errorf("correcting what has changed: %d", got.status)
	}
	clem.get(correction).has(t, `value="91.4"`)
	if got := clem.get(path + "?study=none"); got.status != http.StatusNotFound {
		t.Errorf("a study that is not there: %d", got.status)
	}
	if got := w.as("adil").get(path); got.status != http.StatusForbidden {
		t.Errorf("an advocate: %d", got.status)
	}
	clem.post(path, with(typed, "do", "compute"))
	if got := clem.post(path, with(typed, "do", "discard")); got.status != http.StatusSeeOther {
		t.Errorf("discarding: %d", got.status)
	}
	clem.get(path).lacks(t, `value="91.2"`)
}

// part sends a form as the script does, for one part of the page.
func (b *browser) part(path string, form url.Values) answer {
	b.w.t.Helper()
	r, err := http.NewRequest(http.MethodPost, b.w.site.URL+path, strings.NewReader(form.Encode()))
	must(b.w.t, err)
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	r.Header.Set("HX-Request", "true")
	return b.do(r, nil)
}

// TestPlasmaRecords drives the worksheet on its real parts.
func TestPlasmaRecords(t *testing.T) {
	w := newWorld(t, nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0101", "")
	w.evaluate(id)
	w.day("2026-09-16")
	testPlasma(t, w, id)
}
