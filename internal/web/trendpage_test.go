package web

import (
	"fmt"
	"strings"
	"testing"

	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/protocol/protocoltest"
	"candidacy/internal/record"
)

// course is a made-up course of one rule's quantity.
func course(t *testing.T, rule string, points ...protocol.TrendPoint) protocol.Trend {
	t.Helper()
	r, ok := flagRule(protocoltest.Brief(), rule)
	if !ok {
		t.Fatalf("there is no rule %s", rule)
	}
	for i := range points {
		points[i].Placed, points[i].ReportedUnit = true, r.Unit
	}
	return protocol.Trend{Key: rule, Title: r.Title, Unit: r.Unit, Decimals: r.Decimals, Rules: []*protocol.FlagRule{&r}, Points: points}
}

func TestChangeSentence(t *testing.T) {
	at := func(day journey.Date, number float64) protocol.TrendPoint {
		return protocol.TrendPoint{Day: day, Number: number}
	}
	with := func(p protocol.TrendPoint, change func(*protocol.TrendPoint)) protocol.TrendPoint {
		change(&p)
		return p
	}
	for want, trend := range map[string]protocol.Trend{
		"24.0 kg/m² on 3 Feb 2026; nearest threshold 18.5.":                              course(t, "bmi", at("2026-02-03", 24)),
		"Rose from 27.1 to 31.0 kg/m² in 4 months; nearest threshold 30.":                course(t, "bmi", at("2025-10-03", 27.1), at("2026-02-03", 31)),
		"Fell from 31.0 to 29.9 kg/m² in 5 weeks; before it 30.2; nearest threshold 30.": course(t, "bmi", at("2026-01-01", 31), at("2026-01-20", 30.2), at("2026-02-05", 29.9)),
		"24.0 kg/m², as at first, in 3 years; nearest threshold 18.5.":                   course(t, "bmi", at("2023-02-03", 24.01), at("2026-02-03", 23.99)),
		"No number that a rule may read.":                                                course(t, "bmi", with(at("2026-02-03", 24), func(p *protocol.TrendPoint) { p.Left = "preliminary" })),
		"23.0 kg/m² on 3 Feb 2026; nearest threshold 18.5.":                              course(t, "bmi", with(at("2025-02-03", 24), func(p *protocol.TrendPoint) { p.Method = "other" }), at("2026-02-03", 23)),
		"Rose from 23.0 to 24.0 kg/m² on the same day, after the operation.":             course(t, "bmi", with(at("2026-02-03", 23), func(p *protocol.TrendPoint) { p.After = true }), with(at("2026-02-03", 24), func(p *protocol.TrendPoint) { p.After = true })),
		"Rose from 23.0 to 24.0 kg/m² in 10 days, with intervals that overlap; nearest threshold 18.5.": course(t, "bmi",
			with(at("2026-02-03", 23), func(p *protocol.TrendPoint) { p.Interval = &protocol.Interval{Low: 22, High: 24} }),
			with(at("2026-02-13", 24), func(p *protocol.TrendPoint) { p.Interval = &protocol.Interval{Low: 23, High: 25} })),
	} {
		if got := changeSentence(trend); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestTrendPicture looks for every band by its word, for a line that joins one method
// only, and for marks of what no rule reads.
func TestTrendPicture(t *testing.T) {
	trend := course(t, "bmi", protocol.TrendPoint{Day: "2025-10-03", Number: 28, Method: "a"}, protocol.TrendPoint{Day: "2025-12-03", Number: 31, Method: "b"},
		protocol.TrendPoint{Day: "2026-01-03", Number: 33, Method: "a"}, protocol.TrendPoint{Day: "2026-02-03", Number: 36, Method: "a", Left: "preliminary"},
		protocol.TrendPoint{Day: "2026-02-13", Number: 20, Method: "a", Comparator: "<"})
	marks := []timeMark{{"2027-02-01", "valid until", true}, {"2026-04-01", "planned", false}}
	picture := string(trendPicture(trend, marks, "s <"))
	for _, want := range []string{">Meets<", ">Needs discussion<", ">Excludes<", "valid until 1 Feb 2027", "planned 1 Apr 2026", "s &lt;"} {
		if !strings.Contains(picture, want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
	if n := strings.Count(picture, `class="trend-line"`); n != 1 {
		t.Errorf("%d lines", n)
	}
	if _, line, _ := strings.Cut(picture, `class="trend-line" d="`); strings.Count(line[:strings.Index(line, `"`)], "L") != 1 {
		t.Error("the line joins other than two values")
	}
	if strings.Count(picture, "trend-early") != 1 || strings.Count(picture, `<path class="trend-point"`) != 1 {
		t.Error("a mark is missing")
	}
	golden(t, "course-bmi", picture)
	golden(t, "spark-bmi", string(sparkline(trend)))
}

// TestTrendBounds shows the newest of a long course, and all of it where that is asked for.
func TestTrendBounds(t *testing.T) {
	var points []protocol.TrendPoint
	for i := range 200 {
		points = append(points, protocol.TrendPoint{Day: journey.Date("2022-01-01").AddDays(7 * i), Number: 20 + float64(i%9)/3})
	}
	p := protocoltest.Brief()
	sc := scene{protocol: p, viewer: &viewer{Account: record.Account{ID: "cora", Role: journey.Coordinator}}, today: "2026-02-01"}
	m := trendOf(sc, course(t, "bmi", points...), "", false, false)
	if len(m.Rows) != trendRows || m.More != 200-trendRows || strings.Count(string(m.Picture), "<circle") > drawnMost+8 {
		t.Errorf("%d rows, %d more, %d marks", len(m.Rows), m.More, strings.Count(string(m.Picture), "<circle"))
	}
	if m = trendOf(sc, course(t, "bmi", points...), "", false, true); len(m.Rows) != 200 || m.More != 0 {
		t.Errorf("%d of all rows", len(m.Rows))
	}
}

// TestNarrow looks for entries of one person and of one kind among many.
func TestNarrow(t *testing.T) {
	long := func() *candidateModel {
		m := &candidateModel{}
		for i := range 200 {
			kind := []journey.Kind{journey.RecordResults, journey.SignResults, journey.RecordReview}[i%3]
			who := []string{"cora", "clem"}[i%2]
			m.Earlier = append(m.Earlier, entryModel{Seq: int64(i), Who: "Name of " + who, What: entryWord(kind), by: who, kind: kind})
		}
		m.Timeline, m.Earlier = split(m.Earlier, newestEntries)
		return m
	}
	m := long()
	m.narrow("/c", "", "")
	if len(m.Timeline) != newestEntries || m.History.Now != "" || len(m.History.People) != 2 || len(m.History.Kinds) != 3 || m.History.People[0].Count != 100 {
		t.Errorf("%d entries, %+v", len(m.Timeline), m.History)
	}
	m = long()
	m.narrow("/c", "clem", string(journey.SignResults))
	all := append(m.Timeline, m.Earlier...)
	for _, e := range all {
		if e.by != "clem" || e.kind != journey.SignResults {
			t.Errorf("entry %d is of %s, %s", e.Seq, e.by, e.kind)
		}
	}
	if len(all) != 34 || !strings.Contains(m.History.Now, "Name of clem") || !strings.Contains(m.History.Now, "Results signed") {
		t.Errorf("%d entries of %q", len(all), m.History.Now)
	}
	for _, list := range [][]trendShow{m.History.People, m.History.Kinds} {
		for _, s := range list {
			if strings.Contains(s.Link, "Name") || !strings.HasPrefix(s.Link, "/c?") || !strings.HasSuffix(s.Link, "#history") {
				t.Errorf("a link is %q", s.Link)
			}
		}
	}
	m = long()
	m.narrow("/c", "nobody", "")
	if len(m.Timeline) != 0 || m.History.Now == "" {
		t.Error(fmt.Sprint("of nobody: ", len(m.Timeline), m.History.Now))
	}
}
