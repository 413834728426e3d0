package web

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"candidacy/internal/measures"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// programme is a world with invented people of two and a half years.
func programme(t *testing.T, n int) *world {
	t.Helper()
	w := stillWorld(t, protocol.Default(), time.Date(2027, 6, 30, 7, 0, 0, 0, time.UTC))
	v := invent(t, w.store, w.protocol, "2027-06-30")
	for i := range n {
		v.person(v.today.AddDays(-(i*900)/n - 3))
	}
	return w
}

// rows reads a CSV file by its columns.
func rows(t *testing.T, text string) []map[string]string {
	t.Helper()
	lines, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	must(t, err)
	var list []map[string]string
	for _, line := range lines[1:] {
		row := map[string]string{}
		for i, name := range lines[0] {
			row[name] = line[i]
		}
		list = append(list, row)
	}
	return list
}

// TestMeasures looks at the page and the files that invented people make.
func TestMeasures(t *testing.T) {
	w := programme(t, 120)
	cora, admi := w.as("cora"), w.as("admi")
	page := cora.get("/measures")
	page.has(t, "From referral to donation", "Time in each stage", "Where candidates stop", "Withdrew", "Follow-up that is complete", "Events reported in time", "<svg", "Person by person", "the files, which are passed on, hide numbers of fewer than 5 people")
	page.lacks(t, "Family1", "SYN-", "00000001-0000", ">hidden<")
	narrow := cora.get("/measures?from=2026-01-01&until=2026-12-31")
	narrow.has(t, "from 2026-01-01", `/measures.csv?from=2026-01-01&amp;until=2026-12-31`)
	cora.get("/measures?from=2030-01-01").has(t, "Nobody was referred in that time")
	for _, path := range []string{"/measures", "/measures.csv", "/measures.xlsx", "/measures/people"} {
		turned := cora.get(path + "?from=2026-12-31&until=2026-01-01")
		wantStatus(t, "a period that ends first at "+path, turned, http.StatusUnprocessableEntity)
		turned.has(t, "What was entered can", "“Referred until”, 1 Jan 2026, is before “Referred from”, 31 Dec 2026.")
	}
	// The administrator may not know how a journey ended, and narrows nothing.
	page = admi.get("/measures?from=2030-01-01")
	page.has(t, "From referral to donation", ">120<", ">hidden<")
	page.lacks(t, "Withdrew", "Declined by", "Person by person", "stood against")

	file := cora.get("/measures.csv")
	if got := file.header.Get("Content-Type"); got != "text/csv; charset=utf-8" {
		t.Errorf("the file is %s", got)
	}
	if got := file.header.Get("Content-Disposition"); got != `attachment; filename="measures-2027-06-30.csv"` {
		t.Errorf("the file is called %s", got)
	}
	if strings.Count(file.body, "\r\n") != strings.Count(file.body, "\n") {
		t.Error("a line ends without CR LF (RFC 4180)")
	}
	for _, secret := range []string{"Family", "SYN-", "R-1", "0000-4000-8000"} {
		if strings.Contains(file.body, secret) {
			t.Errorf("the file tells %q", secret)
		}
	}
	told := 0
	for _, row := range rows(t, file.body) {
		n, err := strconv.ParseFloat(row["value"], 64)
		switch {
		case row["measure"] == "about" || row["value"] == "" || row["column"] == "reached" && row["measure"] == "followup":
		case err != nil:
			t.Errorf("%v is no number", row)
		case row["unit"] == "" && n > 0 && n < measures.SmallestCell:
			t.Errorf("%v is told of fewer than %d", row, measures.SmallestCell)
		default:
			told++
		}
		if row["told"] == "hidden" && row["value"] != "" {
			t.Errorf("%v is hidden and told", row)
		}
	}
	if told < 60 {
		t.Errorf("%d numbers are told", told)
	}
	if other := admi.get("/measures.csv"); strings.Contains(other.body, "Withdrew") || !strings.Contains(other.body, "flow") {
		t.Error("the administrator's file tells how journeys ended")
	}
}

// TestMeasuresAreLogged: a look at numbers may tell of anybody.
func TestMeasuresAreLogged(t *testing.T) {
	w := programme(t, 6)
	cora := w.as("cora")
	for _, path := range []string{"/measures", "/measures.csv", "/measures.xlsx"} {
		cora.get(path)
		list, err := w.store.Accesses(t.Context(), record.AccessQuery{Limit: 1})
		must(t, err)
		if len(list) != 1 || !list[0].Everybody || list[0].Actor != "cora" || list[0].Status != 200 || len(list[0].Candidates) > 0 {
			t.Errorf("%s: %+v", path, list)
		}
	}
}

// TestRecipientsTeamIsNotCounted: whoever cares for a recipient learns nothing of the
// donor, not from a number either.
func TestRecipientsTeamIsNotCounted(t *testing.T) {
	w := programme(t, 40)
	must(t, w.store.AddToRecipientTeam(t.Context(), "R-7", "cleo"))
	all, less := rows(t, w.as("clem").get("/measures.csv").body), rows(t, w.as("cleo").get("/measures.csv").body)
	number := func(list []map[string]string) string {
		for _, row := range list {
			if row["measure"] == "flow" && row["row"] == "referral" && row["column"] == "reached" {
				return row["value"]
			}
		}
		return ""
	}
	if number(all) != "40" || number(less) != "39" {
		t.Errorf("%s and %s are counted", number(all), number(less))
	}
}

// TestUnformula: no text of a file is a formula (OWASP, CSV injection).
func TestUnformula(t *testing.T) {
	for text, want := range map[string]string{
		`=HYPERLINK("x")`: `'=HYPERLINK("x")`, "+1": "'+1", "-1": "'-1", "@SUM(A1)": "'@SUM(A1)", "\tx": "'\tx", "\rx": "'\rx", "plain": "plain", "": "", "1=2": "1=2",
	} {
		if got := unformula(text); got != want {
			t.Errorf("%q became %q", text, got)
		}
	}
}

// TestWorkbook reads the workbook with another project's library, read-excel-file, and
// holds every cell against the CSV file.
func TestWorkbook(t *testing.T) {
	w := programme(t, 120)
	cora := w.as("cora")
	raw := []byte(cora.get("/measures.xlsx?from=2025-02-01").body)
	archive, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	must(t, err)
	for _, f := range archive.File {
		if strings.Contains(f.Name, "vba") || strings.Contains(f.Name, "externalLink") {
			t.Errorf("the workbook holds %s", f.Name)
		}
		if strings.HasPrefix(f.Name, "xl/worksheets/sheet") {
			// ECMA-376, part 1, 18.3.1.66: a frozen pane of one row.
			if xml := unzipped(t, f); !strings.Contains(xml, `state="frozen"`) || !strings.Contains(xml, `ySplit="1"`) || strings.Contains(xml, "<f>") {
				t.Errorf("%s keeps no first row in sight, or holds a formula", f.Name)
			}
		}
	}
	file := filepath.Join(t.TempDir(), "measures.xlsx")
	must(t, os.WriteFile(file, raw, 0o600))
	sheets := readWorkbook(t, file)
	if len(sheets) != 9 || sheets[0].Name != sheetAbout {
		t.Fatalf("got %d sheets", len(sheets))
	}
	at := map[string]workbookSheet{}
	for _, sheet := range sheets {
		at[sheet.Name] = sheet
	}
	facts := map[string]workbookCell{}
	for _, row := range at[sheetAbout].Rows[1:] {
		facts[row[0].Text] = row[1]
	}
	if made := facts["Made at"]; made.Type != "date" || made.Text != wall(w) {
		t.Errorf("made at %+v", made)
	}
	if from := facts["Referred from"]; from.Type != "date" || from.Text != "2025-02-01T00:00:00.000Z" {
		t.Errorf("referred from %+v", from)
	}
	if facts["Protocol of the targets"].Text != w.protocol.Version || facts["From referral to donation"].Text == "" {
		t.Errorf("got %+v", facts)
	}
	next := map[string]int{}
	column := map[string]int{}
	for _, row := range rows(t, cora.get("/measures.csv?from=2025-02-01").body) {
		if row["measure"] == "about" {
			continue
		}
		sheet := at[sheetNames[row["measure"]]]
		if key := row["measure"] + row["row"]; column[key] == 0 {
			next[row["measure"]]++
			column[key] = 1
		}
		line := sheet.Rows[next[row["measure"]]]
		n := column[row["measure"]+row["row"]]
		column[row["measure"]+row["row"]]++
		cell := workbookCell{}
		if n < len(line) {
			cell = line[n]
		}
		if line[0].Text != row["row_title"] {
			t.Fatalf("%s: %q stands in the line of %q", row["measure"], row["row_title"], line[0].Text)
		}
		value, err := strconv.ParseFloat(row["value"], 64)
		switch {
		case err == nil:
			if cell.Type != "number" || math.Abs(cell.Number-value) > .005 {
				t.Errorf("%s, %s, %s: %+v, want %v", row["measure"], row["row"], row["column"], cell, value)
			}
		case row["told"] == "none":
			if cell.Type != "" && cell.Type != "null" {
				t.Errorf("%v: %+v", row, cell)
			}
		case cell.Text != row["told"]+row["value"]:
			t.Errorf("%v: %+v", row, cell)
		}
	}
	if len(next) != 8 {
		t.Errorf("%d measures were compared", len(next))
	}
}

// wall is what a clock in the programme's zone showed when the file was made.
func wall(w *world) string {
	return w.clock.now().In(w.protocol.Zone()).Format("2006-01-02T15:04:05") + ".000Z"
}

type workbookSheet struct {
	Name string           `json:"name"`
	Rows [][]workbookCell `json:"rows"`
}

type workbookCell struct {
	Type   string  `json:"type"`
	Text   string  `json:"text"`
	Number float64 `json:"number"`
}

func unzipped(t *testing.T, f *zip.File) string {
	t.Helper()
	r, err := f.Open()
	must(t, err)
	raw, err := io.ReadAll(r)
	must(t, errors.Join(err, r.Close()))
	return string(raw)
}

// readWorkbook asks read-excel-file for every cell.
func readWorkbook(t *testing.T, file string) []workbookSheet {
	t.Helper()
	folder := filepath.Join("..", "..", "testdata", "conformance", "node")
	_, err := os.Stat(filepath.Join(folder, "node_modules", "read-excel-file"))
	if node, missing := exec.LookPath("node"); missing != nil || err != nil {
		if strings.Contains(os.Getenv("CANDIDACY_REQUIRE"), "validators") {
			t.Fatalf("read-excel-file is missing: run npm ci in %s: %v %v %s", folder, err, missing, node)
		}
		t.Skip("without read-excel-file nobody else reads the workbook: run npm ci in " + folder)
	}
	out, err := exec.CommandContext(t.Context(), "node", filepath.Join(folder, "workbook.mjs"), file).Output()
	must(t, err)
	var sheets []workbookSheet
	must(t, json.Unmarshal(out, &sheets))
	return sheets
}
