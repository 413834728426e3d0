package monitoring

import (
	"encoding/csv"
	"strings"
	"testing"
	"time"

	"golang.org/x/text/encoding/unicode"
	"pgregory.net/rapid"
)

func stockholm(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Stockholm")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

const german = "Monitor;Beispiel\r\nNr;Datum;Zeit;Syst. (mmHg);Diast. (mmHg);Puls\r\n1;14.09.2026;08:00;128,5;76;70\r\n2;14.09.2026;23:30;0;0;0\r\n3;15.09.2026;07:10;118;abc;61\r\n"

// TestDetect tells the ways to write a file apart.
func TestDetect(t *testing.T) {
	for _, tt := range []struct {
		name, data string
		want       Settings
	}{
		{"semicolons and decimal commas", german, Settings{Delimiter: ";", DecimalComma: true, Order: DayFirst, Header: 2, Date: 2, Clock: 3, Systolic: 4, Diastolic: 5}},
		{"commas, one column for both", "Date/Time,SBP,DBP\n2026-09-14 08:00,128,76\n", Settings{Delimiter: ",", Order: YearFirst, Header: 1, Date: 1, Clock: 1, Systolic: 2, Diastolic: 3}},
		{"tabulators, the month first", "Time\tDate\tSystolic\tDiastolic\n8:00 AM\t09/14/2026\t128\t76\n", Settings{Delimiter: "\t", Order: MonthFirst, Header: 1, Date: 2, Clock: 1, Systolic: 3, Diastolic: 4}},
		{"an order that can't be told", "Date,Time,Sys,Dia\n09/10/2026,08:00,128,76\n10/10/2026,08:00,128,76\n", Settings{Delimiter: ",", Header: 1, Date: 1, Clock: 2, Systolic: 3, Diastolic: 4}},
		{"no date", "Time;Sys;Dia\n08:00;128;76\n", Settings{Delimiter: ";", Header: 1, Clock: 1, Systolic: 2, Diastolic: 3}},
		{"no names", "14.09.2026;08:00;128;76\n", Settings{Delimiter: ";"}},
	} {
		got, told, err := Detect([]byte(tt.data))
		if err != nil || got != tt.want || len(told) < 3 {
			t.Errorf("%s: %+v, %v, %v", tt.name, got, told, err)
		}
	}
	for name, data := range map[string]string{
		"empty": " \n", "binary": "PK\x03\x04\x00\x00", "one column": "a\nb\n", "too long": strings.Repeat("1;2;3\n", MaxLines+1), "too large": strings.Repeat("x", MaxBytes+1),
	} {
		if _, _, err := Detect([]byte(data)); err == nil {
			t.Errorf("%s: is taken", name)
		}
	}
}

// TestRead reads lines, and names those that can't be read by their numbers.
func TestRead(t *testing.T) {
	zone := stockholm(t)
	s, _, err := Detect([]byte(german))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := Read([]byte(german), s, zone)
	if err != nil || len(rows) != 3 {
		t.Fatalf("%+v, %v", rows, err)
	}
	if r := rows[0]; r.Kind != Reading || r.Line != 3 || r.Systolic != "128.5" || r.Diastolic != "76" || r.At.Format(time.RFC3339) != "2026-09-14T08:00:00+02:00" {
		t.Errorf("a reading: %+v", r)
	}
	if r := rows[1]; r.Kind != Failed || r.Line != 4 {
		t.Errorf("a failed attempt: %+v", r)
	}
	if r := rows[2]; r.Kind != Unreadable || r.Line != 5 || !strings.Contains(r.Problem, "diastolic") {
		t.Errorf("an unreadable line: %+v", r)
	}
	// The same in UTF-16 and in Windows-1252.
	wide, err := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().String(german)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string]string{"UTF-16": wide, "Windows-1252": strings.Replace(german, "Beispiel", "Ger\xe4t", 1)} {
		if again, err := Read([]byte(data), s, zone); err != nil || len(again) != 3 || again[0] != rows[0] {
			t.Errorf("%s: %+v, %v", name, again, err)
		}
	}
	// Without dates the day goes on at midnight.
	times := "Time;Sys;Dia\n22:00;128;76\n23:30;120;70\n00:15;110;65\n07:00 ;111;64\n"
	rows, err = Read([]byte(times), Settings{Delimiter: ";", Header: 1, Clock: 1, Systolic: 2, Diastolic: 3, Day: "2026-09-30"}, zone)
	if err != nil || rows[1].At.Day() != 30 || rows[2].At.Format(time.DateOnly) != "2026-10-01" || rows[3].At.Day() != 1 {
		t.Errorf("%+v, %v", rows, err)
	}
	s = Settings{Delimiter: ",", Order: MonthFirst, Header: 1, Date: 1, Clock: 2, Systolic: 3, Diastolic: 4}
	for line, want := range map[string]string{
		"03/29/2026,02:30,128,76": "clocks", "13/29/2026,08:00,128,76": "date", "03-29/2026,08:00,128,76": "date", "03/29/2026,25:00,128,76": "time",
		"03/29/2026,,128,76": "time", "03/29/2026,08:00,1280,76": "systolic", "03/29/2026,08:00,128,": "diastolic", "03/29/2026,13:00 PM,128,76": "time", "03/29/2026,08:00,128;5,76": "systolic",
	} {
		rows, err := Read([]byte("a,b,c,d\n"+line+"\n"), s, zone)
		if err != nil || rows[0].Kind != Unreadable || !strings.Contains(rows[0].Problem, want) {
			t.Errorf("%s: %+v, %v", line, rows, err)
		}
	}
	rows, err = Read([]byte("a,b,c,d\n03/28/2026,8:00 pm,128,76\n03/28/2026,20:00,128,76\n"), s, zone)
	if err != nil || rows[0].At.Hour() != 20 || rows[1].Kind != Unreadable || rows[1].Problem != "the same time as line 2" {
		t.Errorf("%+v, %v", rows, err)
	}
	for _, missing := range []Settings{{}, {Delimiter: ";"}, {Delimiter: ",", Date: 1, Clock: 2, Systolic: 3, Diastolic: 3, Order: DayFirst}, {Delimiter: ",", Clock: 2, Systolic: 3, Diastolic: 4}} {
		if _, err := Read([]byte("a,b,c,d\n1,2,3,4\n"), missing, zone); err == nil {
			t.Errorf("%+v is enough", missing)
		}
	}
}

// TestReadWhatWasWritten writes readings in any of the ways and finds them again.
func TestReadWhatWasWritten(t *testing.T) {
	zone := stockholm(t)
	rapid.Check(t, func(t *rapid.T) {
		s := Settings{
			Delimiter: rapid.SampledFrom(Delimiters).Draw(t, "delimiter"), Order: rapid.SampledFrom(Orders).Draw(t, "order"),
			Header: 1, Date: 1, Clock: 2, Systolic: 3, Diastolic: 4,
		}
		s.DecimalComma = s.Delimiter != "," && rapid.Bool().Draw(t, "comma")
		layout := map[string]string{YearFirst: "2006-01-02", DayFirst: "02.01.2006", MonthFirst: "01/02/2006"}[s.Order]
		var b strings.Builder
		w := csv.NewWriter(&b)
		w.Comma = rune(s.Delimiter[0])
		_ = w.Write([]string{"Date", "Time", "Sys", "Dia"})
		at := time.Date(2026, 9, 14, 8, 0, 0, 0, zone)
		var want []Row
		for i := range rapid.IntRange(1, 40).Draw(t, "readings") {
			at = at.Add(time.Duration(rapid.IntRange(1, 90).Draw(t, "minutes")) * time.Minute)
			systolic := rapid.StringMatching(`1[0-9]{2}(\.[1-9])?`).Draw(t, "systolic")
			diastolic := rapid.StringMatching(`[4-9][0-9]`).Draw(t, "diastolic")
			want = append(want, Row{Line: i + 2, Kind: Reading, At: at, Systolic: systolic, Diastolic: diastolic})
			if s.DecimalComma {
				systolic = strings.Replace(systolic, ".", ",", 1)
			}
			_ = w.Write([]string{at.Format(layout), at.Format("15:04"), systolic, diastolic})
		}
		w.Flush()
		got, err := Read([]byte(b.String()), s, zone)
		if err != nil || len(got) != len(want) {
			t.Fatalf("%v, %v", got, err)
		}
		for i := range want {
			if got[i].Line != want[i].Line || got[i].Kind != Reading || !got[i].At.Equal(want[i].At) || got[i].Systolic != want[i].Systolic || got[i].Diastolic != want[i].Diastolic {
				t.Fatalf("line %d: %+v, want %+v", i+2, got[i], want[i])
			}
		}
	})
}
