package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"candidacy/internal/clinical/pressure"
	"candidacy/internal/monitoring"
)

func ambulatoryModels() []any {
	f := field{ID: "f", Name: "f", Label: "l", Type: "select", Options: []option{{"a", "b"}}, Error: "e", Hint: "h"}
	return []any{ambulatoryModel{}, ambulatoryModel{
		Name: "n", Digest: "d", Told: "t", Fields: []field{f}, Sample: [][]string{{"1", "a"}}, SampleColumns: []string{"c"}, Confirm: []field{{ID: "x", Name: "x", Type: "checkbox", Label: "l"}}, Recorded: true,
		Read: &monitorLive{Means: []meanRow{{}}, Why: "w", Finding: "f", Dip: "d", Beside: "b", Picture: "p", Checks: []checkLine{{}}, Unreadable: []string{"u"}, Leftout: []string{"l"}, Facts: []fact{{"a", "b"}}, Flags: []flagModel{{Number: "1"}}, Source: "s"},
	}}
}

// aDay is the file of a monitoring: readings every 30 minutes from 08:00, as systolic
// and diastolic pressures of day and of night.
func aDay(day, night [2]int, more ...string) string {
	var b strings.Builder
	b.WriteString("Nr;Date;Time;Systolic;Diastolic\n")
	at := time.Date(2026, 9, 14, 8, 0, 0, 0, time.UTC)
	for n := 1; n <= 48; n++ {
		of := day
		if at.Hour() >= 23 || at.Hour() < 7 {
			of = night
		}
		fmt.Fprintf(&b, "%d;%s;%s;%d;%d\n", n, at.Format("02.01.2006"), at.Format("15:04"), of[0], of[1])
		at = at.Add(30 * time.Minute)
	}
	for _, line := range more {
		b.WriteString(line + "\n")
	}
	return b.String()
}

// TestMonitor compares the finding of a file with the thresholds and the definition of
// a dip in the summary of the ACC/AHA guideline (day 130/80, night 110/65, 24 h 125/75;
// 130 to 117 is a fall of 10.0 %).
func TestMonitor(t *testing.T) {
	read := func(data string) monitored {
		t.Helper()
		s, _, err := monitoring.Detect([]byte(data))
		must(t, err)
		rows, err := monitoring.Read([]byte(data), s, time.UTC)
		must(t, err)
		return evaluateMonitor(rows, time.UTC)
	}
	m := read(aDay([2]int{130, 79}, [2]int{117, 64}))
	if m.err != nil || m.out.Finding != pressure.Hypertensive || m.out.Dip < 9.9999 || m.out.Dip > 10.0001 || m.out.Dipper || m.out.Counts.Day != 32 || m.out.Counts.Night != 16 {
		t.Errorf("got %+v, %v", m.out, m.err)
	}
	if m = read(aDay([2]int{124, 74}, [2]int{110, 60})); m.out.Finding != pressure.NightOnly {
		t.Errorf("got %s", m.out.Finding)
	}
	// What is implausible, failed or unreadable counts as attempted, and is named.
	m = read(aDay([2]int{120, 70}, [2]int{105, 60}, "49;15.09.2026;08:00;70;90", "50;15.09.2026;08:30;0;0", "51;15.09.2026;09:00;abc;70"))
	if m.attempted != 51 || len(m.readings) != 48 || len(m.leftout) != 1 || !strings.HasPrefix(m.leftout[0], "Line 50, 70/90") || len(m.bad) != 1 || !strings.HasPrefix(m.bad[0], "Line 52:") {
		t.Errorf("got %d attempted, %v, %v", m.attempted, m.leftout, m.bad)
	}
	picture := string(monitorPicture(m, time.UTC))
	if n := strings.Count(picture, "<circle"); n != 96 || strings.Count(picture, `class="plot-night"`) != 1 || strings.Count(picture, `class="plot-out"`) != 2 || strings.Count(picture, `class="trend-limit"`) != 3 {
		t.Errorf("%d circles in %s", n, picture)
	}
	// Too few by night: named, and no means.
	lines := strings.Split(aDay([2]int{120, 70}, [2]int{105, 60}), "\n")
	m = read(strings.Join(lines[:36], "\n"))
	verdicts := m.checks(time.UTC)
	if m.err == nil || !strings.Contains(string(verdicts[2].Mark), "No result") || verdicts[2].Found != "5" {
		t.Errorf("got %v, %+v", m.err, verdicts)
	}
}

// upload sends the file of a monitor as its form does.
func (b *browser) upload(path, data string) answer {
	b.w.t.Helper()
	return b.sendFile(path, "csv", "monitor of Fjellgren.csv", data, nil)
}

// filledIn reads the values of a form as a browser would send them.
func filledIn(page answer, form string) url.Values {
	_, body, _ := strings.Cut(page.body, `id="`+form+`"`)
	body, _, _ = strings.Cut(body, "</form>")
	v := url.Values{}
	for _, m := range regexp.MustCompile(`<input type="(?:hidden|text|date)"[^>]* name="([^"]+)"[^>]* value="([^"]*)"`).FindAllStringSubmatch(body, -1) {
		v.Set(m[1], m[2])
	}
	for _, m := range regexp.MustCompile(`(?s)<input type="hidden" name="([^"]+)" value="([^"]*)"`).FindAllStringSubmatch(body, -1) {
		v.Set(m[1], m[2])
	}
	for _, m := range regexp.MustCompile(`(?s)<select id="[^"]+" name="([^"]+)".*?</select>`).FindAllStringSubmatch(body, -1) {
		if chosen := regexp.MustCompile(`<option value="([^"]*)" selected>`).FindStringSubmatch(m[0]); chosen != nil {
			v.Set(m[1], chosen[1])
		}
	}
	return v
}

// TestAmbulatoryRecords brings a file in, confirms how it is read, records it, and
// reads it again.
func TestAmbulatoryRecords(t *testing.T) {
	w := newWorld(t, nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0201", "")
	other := w.refer("Bastian", "Okonedo", "1990-11-12", "male", "WEB-0202", "")
	w.evaluate(id)
	w.day("2026-09-16")
	path := "/candidates/" + id + "/worksheets/ambulatory-pressure"
	clem := w.as("clem")
	before := candidateState(t, w, id).Seq
	for name, data := range map[string]string{"no file": "", "an empty file": " ", "a picture": "\x89PNG\r\n\x1a\n\x00\x00", "one column": "a\nb\nc\n", "too large a file": strings.Repeat("1;2;3\n", 1<<20/6+10), "a file of 2 MiB": strings.Repeat("x", 2<<20)} {
		if got := clem.upload(path, data); got.status != http.StatusUnprocessableEntity || !strings.Contains(got.body, `id="ambulatory-csv-error"`) {
			t.Errorf("%s: %d", name, got.status)
		}
	}
	data := aDay([2]int{126, 76}, [2]int{108, 62}, "49;15.09.2026;08:00;70;90", "50;15.09.2026;08:30;0;0", "51;15.09.2026;09:00;abc;70")
	got := clem.upload(path, data)
	if got.status != http.StatusSeeOther {
		t.Fatalf("the file: %d", got.status)
	}
	page := clem.get(got.header.Get("Location"))
	page.has(t, "columns parted by a semicolon", "dates with the day first", "126.0 / 76.0 mmHg", "108.0 / 62.0 mmHg", "48 of 51 attempted", "Line 50, 70/90", "Line 52:", "trend-limit", "No mean reaches", "standard error 0.0 / 0.0")
	if candidateState(t, w, id).Seq != before {
		t.Error("looking at a file changes the record")
	}
	// Until something of it is recorded, the file is among those that wait.
	const waits = "Brought in, nothing recorded yet"
	clem.get(path).has(t, waits, "brought in by Clement Oduya", got.header.Get("Location"))
	form := filledIn(page, "ambulatory")
	send := func(pairs ...string) answer {
		t.Helper()
		return clem.post(path, with(form, append([]string{"do", "record"}, pairs...)...))
	}
	if got := send(); got.status != http.StatusUnprocessableEntity || !strings.Contains(got.body, "can&#39;t be read. Choose other columns") {
		t.Errorf("unreadable lines are passed over: %d", got.status)
	}
	if got := send("systolic", "1", "unreadable", "yes"); got.status != http.StatusUnprocessableEntity || !strings.Contains(got.body, "No means follow") {
		t.Errorf("another column: %d", got.status)
	}
	if got := send("order", ""); got.status != http.StatusUnprocessableEntity || !strings.Contains(got.body, "Choose the order of the dates") {
		t.Errorf("no order: %d", got.status)
	}
	if candidateState(t, w, id).Seq != before {
		t.Error("a refused file changes the record")
	}
	for range 2 {
		if got := send("unreadable", "yes"); got.status != http.StatusSeeOther {
			t.Fatalf("recording: %d", got.status)
		}
	}
	if after := candidateState(t, w, id).Seq; after != before+1 {
		t.Errorf("%d entries", after-before)
	}
	clem.get("/candidates/"+id).has(t, "Ambulatory blood pressure, day mean", ">126/")
	files := clem.get(path)
	files.has(t, "51 readings attempted")
	files.lacks(t, waits)
	results, err := w.store.Results(context.Background(), id)
	must(t, err)
	file := form.Get("file")
	if list := fileResults(results, file); len(list) != 49 {
		t.Errorf("%d results of the file", len(list))
	}
	// The file is there to be read again, and nobody else's.
	kept, err := w.store.SourceFile(context.Background(), id, file)
	if err != nil || string(kept.Data) != data {
		t.Errorf("the file is not kept as it came: %v", err)
	}
	if got := clem.upload("/candidates/"+other+"/worksheets/ambulatory-pressure", data); got.status != http.StatusUnprocessableEntity || strings.Contains(got.body, id) {
		t.Errorf("the file of somebody else: %d", got.status)
	}
	if got := clem.get("/candidates/" + other + "/worksheets/ambulatory-pressure?file=" + file); got.status != http.StatusNotFound {
		t.Errorf("the file of somebody else is shown: %d", got.status)
	}
	// Recorded anew in another way from a page that is older: refused; from a fresh one: corrected.
	if got := send("unreadable", "yes", "key", "older", "systolic", "4", "diastolic", "4"); got.status != http.StatusUnprocessableEntity {
		t.Errorf("one column for both: %d", got.status)
	}
	if got := send("unreadable", "yes", "key", "older", "header", "10"); got.status != http.StatusConflict {
		t.Errorf("a page that is older: %d", got.status)
	}
	form = filledIn(clem.get(path+"?file="+file), "ambulatory")
	if got := send("unreadable", "yes", "header", "10", "key", "newer"); got.status != http.StatusSeeOther {
		t.Errorf("recording anew: %d", got.status)
	}
	results, err = w.store.Results(context.Background(), id)
	must(t, err)
	usable := 0
	for _, r := range fileResults(results, file) {
		if r.Status.Usable() {
			usable++
		}
	}
	if usable != 40 {
		t.Errorf("%d results stand after recording from line 11 on", usable)
	}
	clem.get(path).has(t, "On record", "readings attempted")
}
