package calendar_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"candidacy/internal/calendar"
	"candidacy/internal/conformance"
)

// parsed is what ical.js makes of a file. See calendar.mjs.
type parsed struct {
	Method, Version, Product string
	// Long counts lines of more than 75 octets, and Bare says that a line ends otherwise
	// than RFC 5545 says.
	Long   int
	Bare   bool
	Events []struct {
		UID, Summary, Location, Status, Class, Organizer, Starts, Ends, Zone, Stamp string
		Sequence                                                                    int
		Names                                                                       []string
	}
}

// parse has a parser of another project read files.
func parse(t *testing.T, files ...string) []parsed {
	t.Helper()
	in, err := json.Marshal(files)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", filepath.Join(conformance.Folder(), "node", "calendar.mjs"))
	cmd.Stdin, cmd.Stderr = strings.NewReader(string(in)), &strings.Builder{}
	out, err := cmd.Output()
	if err != nil {
		if strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "validators") {
			t.Fatal(err, cmd.Stderr)
		}
		t.Skip("ical.js can't be run here: ", err)
	}
	var list []parsed
	for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		var p parsed
		if err := json.Unmarshal([]byte(line), &p); err != nil {
			t.Fatal(err)
		}
		list = append(list, p)
	}
	return list
}

var now = time.Date(2026, 3, 20, 9, 0, 0, 0, time.UTC)

func visit(sequence int, starts time.Time, place string, cancelled bool) calendar.Event {
	return calendar.Event{
		UID: calendar.UID("candidate", "planned-1"), Sequence: sequence, Starts: starts, Ends: starts.Add(90 * time.Minute),
		Summary: "Hospital appointment", Place: place, Cancelled: cancelled,
	}
}

// TestFile is read back by ical.js: escaping and folding as in RFC 5545 (sections 3.1 and
// 3.3.11, whose own example of a text is the first place), and moments around the changes
// of clocks in Stockholm and New York in 2026.
func TestFile(t *testing.T) {
	places := []string{
		"Project XYZ Final Review\nConference Room - 3B\nCome Prepared.",
		`A; B, C: "D" \ E \n F`,
		strings.Repeat("Ingång Å, våning två; ", 8),
		strings.Repeat("日本語の住所", 20),
		strings.Repeat("x", 200),
		"Café 👩🏽‍⚕️ " + strings.Repeat("👍", 40),
	}
	for _, place := range places {
		got := parse(t, calendar.File([]calendar.Event{visit(0, now, place, false)}, now))[0]
		if got.Long > 0 || got.Bare || len(got.Events) != 1 || got.Events[0].Location != place {
			t.Errorf("%q comes back as %+v", place, got)
		}
	}
	stockholm, err := time.LoadLocation("Europe/Stockholm")
	if err != nil {
		t.Fatal(err)
	}
	newYork, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		starts time.Time
		want   string
	}{
		{time.Date(2026, 3, 28, 9, 0, 0, 0, stockholm), "2026-03-28T08:00:00.000Z"}, // winter
		{time.Date(2026, 3, 29, 9, 0, 0, 0, stockholm), "2026-03-29T07:00:00.000Z"}, // the day that clocks go forward
		{time.Date(2026, 10, 25, 9, 0, 0, 0, stockholm), "2026-10-25T08:00:00.000Z"},
		{time.Date(2026, 3, 8, 9, 0, 0, 0, newYork), "2026-03-08T13:00:00.000Z"},
		{time.Date(2026, 11, 1, 9, 0, 0, 0, newYork), "2026-11-01T14:00:00.000Z"},
	} {
		e := parse(t, calendar.File([]calendar.Event{visit(0, c.starts, "", false)}, now))[0].Events[0]
		if e.Starts != c.want || e.Zone != "UTC" {
			t.Errorf("%s begins at %s in %s, not at %s", c.starts, e.Starts, e.Zone, c.want)
		}
	}
}

// TestMethods: the same id with a higher number replaces an event; one that is called off
// is taken out; a file of several says of each. What RFC 5546 wants of each is there
// (sections 3.2.1 and 3.2.5), and nothing else that could tell more.
func TestMethods(t *testing.T) {
	first, moved, off := visit(0, now, "Entrance B", false), visit(1, now.AddDate(0, 0, 1), "Entrance B", false), visit(2, now, "Entrance B", true)
	other := first
	other.UID = calendar.UID("candidate", "planned-2")
	files := parse(t, calendar.File([]calendar.Event{first}, now), calendar.File([]calendar.Event{moved}, now), calendar.File([]calendar.Event{off}, now), calendar.File([]calendar.Event{other, off}, now))
	for i, method := range []string{"PUBLISH", "PUBLISH", "CANCEL", "PUBLISH"} {
		f := files[i]
		if f.Method != method || f.Version != "2.0" {
			t.Errorf("file %d: %s %s", i, f.Method, f.Version)
		}
		for _, e := range f.Events {
			want := []string{"class", "dtend", "dtstamp", "dtstart", "location", "organizer", "sequence", "status", "summary", "uid"}
			if !slices.Equal(e.Names, want) || e.Summary != "Hospital appointment" || e.Class != "PRIVATE" || e.Stamp != "2026-03-20T09:00:00.000Z" {
				t.Errorf("file %d: %+v", i, e)
			}
		}
	}
	for i, f := range files[:3] {
		if e := f.Events[0]; e.UID != first.UID || e.Sequence != i || e.Status != []string{"CONFIRMED", "CONFIRMED", "CANCELLED"}[i] {
			t.Errorf("change %d: %+v", i, e)
		}
	}
	if files[3].Events[0].UID == files[3].Events[1].UID || strings.Contains(calendar.File([]calendar.Event{first}, now), "candidate") {
		t.Error("two visits have one id, or an id tells the candidate's")
	}
	if none := parse(t, calendar.File(nil, now))[0]; len(none.Events) != 0 {
		t.Errorf("no visit: %+v", none)
	}
}
