// Package monitoring reads the file of a blood pressure monitor: lines of text with a
// time and two pressures. Every monitor writes its own kind, so the package tells what
// it makes of a file, and a person confirms it. It judges nothing and keeps nothing.
package monitoring

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// FileKind is the kind under which the record keeps these files.
const FileKind = "ambulatory-pressure"

// MaxBytes bounds a file, and MaxLines its lines: a monitor takes some hundred
// readings.
const (
	MaxBytes = 1 << 20
	MaxLines = 3000
)

// The orders of a date.
const (
	YearFirst  = "ymd"
	DayFirst   = "dmy"
	MonthFirst = "mdy"
)

// Orders lists the orders of a date.
var Orders = []string{YearFirst, DayFirst, MonthFirst}

// Delimiters lists what may part columns.
var Delimiters = []string{";", ",", "\t"}

// Settings say how a file is read.
type Settings struct {
	// Delimiter parts the columns.
	Delimiter string
	// DecimalComma: 128,5 is a number.
	DecimalComma bool
	// Order is that of a date, empty while it is not known.
	Order string
	// Header is the number of the line with the names of the columns, 0 where there is
	// none. What stands before it is not read.
	Header int
	// The columns, counted from 1; 0 is none. Date and Clock may be one column.
	Date, Clock, Systolic, Diastolic int
	// Day is that of the first reading (year-month-day), for a file without dates.
	Day string
}

// Table is a file taken apart into cells.
type Table struct {
	Encoding string
	Lines    []Line
	// Columns are the names of the columns, or their numbers.
	Columns []string
}

// Line is one line that is not empty, with its number in the file.
type Line struct {
	Number int
	Cells  []string
}

// Fault is what is wrong with a file as a whole.
type Fault struct{ Problem string }

// Error implements error.
func (f *Fault) Error() string { return f.Problem }

// text decodes the bytes of a file and says from what.
func text(data []byte) (decoded, name string, err error) {
	switch {
	case len(bytes.TrimSpace(data)) == 0:
		return "", "", &Fault{"The file is empty."}
	case len(data) > MaxBytes:
		return "", "", &Fault{"The file is larger than 1 MiB."}
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE}) || bytes.HasPrefix(data, []byte{0xFE, 0xFF}):
		out, err := unicode.UTF16(unicode.LittleEndian, unicode.ExpectBOM).NewDecoder().Bytes(data)
		if err != nil {
			return "", "", &Fault{"The file is not UTF-16, though it begins as such."}
		}
		return string(out), "UTF-16", nil
	case bytes.IndexByte(data, 0) >= 0:
		return "", "", &Fault{"The file is no text. Export the readings as CSV."}
	case utf8.Valid(data):
		return string(bytes.TrimPrefix(data, []byte("\ufeff"))), "UTF-8", nil
	}
	out, err := charmap.Windows1252.NewDecoder().Bytes(data)
	if err != nil {
		return "", "", &Fault{"The file is neither UTF-8 nor Windows-1252."}
	}
	return string(out), "Windows-1252", nil
}

// split takes a text apart by a delimiter.
func split(decoded, delimiter string) ([]Line, error) {
	reader := csv.NewReader(strings.NewReader(decoded))
	reader.Comma, reader.FieldsPerRecord, reader.LazyQuotes, reader.TrimLeadingSpace = rune(delimiter[0]), -1, true, delimiter != "\t"
	var lines []Line
	for {
		cells, err := reader.Read()
		if errors.Is(err, io.EOF) {
			return lines, nil
		}
		number, _ := reader.FieldPos(0)
		if err != nil {
			var fault *csv.ParseError
			if errors.As(err, &fault) {
				number = fault.Line
			}
			return nil, &Fault{fmt.Sprintf("Line %d can't be taken apart: a quotation mark is not closed.", number)}
		}
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		lines = append(lines, Line{number, cells})
		if len(lines) > MaxLines {
			return nil, &Fault{fmt.Sprintf("The file has more than %d lines.", MaxLines)}
		}
	}
}

// The words that name a column, in the languages that monitors were seen to write.
var (
	systolicWord  = regexp.MustCompile(`(?i)^(sys|syst|sbp\b|systol)`)
	diastolicWord = regexp.MustCompile(`(?i)^(dia|diast|dbp\b|diastol)`)
	dateWord      = regexp.MustCompile(`(?i)^(date|datum|day|fecha|data)`)
	clockWord     = regexp.MustCompile(`(?i)^(time|zeit|uhrzeit|clock|hour|heure|hora|tid|tijd)`)
	bothWord      = regexp.MustCompile(`(?i)(date.*time|time.*date|timestamp|datetime)`)
)

// Detect finds out how a file is written, and says each thing that it made out. What
// can't be told stays empty, and is for a person to say.
func Detect(data []byte) (Settings, []string, error) {
	decoded, encoding, err := text(data)
	if err != nil {
		return Settings{}, nil, err
	}
	var best Settings
	var lines []Line
	most := 0
	for _, delimiter := range Delimiters {
		candidate, err := split(decoded, delimiter)
		if err != nil {
			continue
		}
		s := Settings{Delimiter: delimiter}
		s.name(candidate)
		score := 0
		for _, line := range candidate {
			if len(line.Cells) >= 3 {
				score++
			}
		}
		if s.Header > 0 {
			score += 10 * MaxLines
		}
		if score > most {
			best, lines, most = s, candidate, score
		}
	}
	if most == 0 {
		// Whoever reads it finds out why, if a delimiter fits.
		if _, err := split(decoded, Delimiters[0]); err != nil {
			return Settings{}, nil, err
		}
		return Settings{}, nil, &Fault{"No line has three columns parted by a semicolon, a comma or a tabulator."}
	}
	told := []string{"Text in " + encoding, "columns parted by a " + DelimiterWord(best.Delimiter)}
	if best.Header > 0 {
		told = append(told, fmt.Sprintf("names of the columns in line %d", best.Header))
	} else {
		told = append(told, "no line with names of columns was found")
	}
	if best.Delimiter != "," {
		for _, line := range best.body(lines) {
			for _, column := range []int{best.Systolic, best.Diastolic} {
				best.DecimalComma = best.DecimalComma || regexp.MustCompile(`^\d+,\d+$`).MatchString(cell(line, column))
			}
		}
	}
	if best.DecimalComma {
		told = append(told, "a comma before decimals")
	}
	var why string
	best.Order, why = orderOf(best.body(lines), best.Date)
	if why != "" {
		told = append(told, why)
	}
	return best, told, nil
}

// DelimiterWord names a delimiter.
func DelimiterWord(delimiter string) string {
	switch delimiter {
	case ";":
		return "semicolon"
	case ",":
		return "comma"
	case "\t":
		return "tabulator"
	}
	return ""
}

// name looks for the line with the names of the columns.
func (s *Settings) name(lines []Line) {
	for _, line := range lines[:min(len(lines), 60)] {
		found := Settings{Delimiter: s.Delimiter}
		for i, cell := range line.Cells {
			set := func(column *int) {
				if *column == 0 {
					*column = i + 1
				}
			}
			switch {
			case systolicWord.MatchString(cell):
				set(&found.Systolic)
			case diastolicWord.MatchString(cell):
				set(&found.Diastolic)
			case bothWord.MatchString(cell):
				set(&found.Date)
				set(&found.Clock)
			case dateWord.MatchString(cell):
				set(&found.Date)
			case clockWord.MatchString(cell):
				set(&found.Clock)
			}
		}
		if found.Systolic > 0 && found.Diastolic > 0 {
			if found.Clock == 0 { // a date with its time
				found.Clock = found.Date
			}
			found.Header = line.Number
			*s = found
			return
		}
	}
}

// body are the lines after the names.
func (s Settings) body(lines []Line) []Line {
	i := slices.IndexFunc(lines, func(l Line) bool { return l.Number > s.Header })
	if i < 0 {
		return nil
	}
	return lines[i:]
}

func cell(line Line, column int) string {
	if column < 1 || column > len(line.Cells) {
		return ""
	}
	return line.Cells[column-1]
}

var dated = regexp.MustCompile(`^(\d{1,4})([-./])(\d{1,2})([-./])(\d{1,4})`)

// orderOf finds the order of the dates of a column, where they tell it.
func orderOf(lines []Line, column int) (order, why string) {
	if column == 0 {
		return "", ""
	}
	first, second, points := 0, 0, false
	for _, line := range lines {
		parts := dated.FindStringSubmatch(cell(line, column))
		if parts == nil {
			continue
		}
		if len(parts[1]) == 4 {
			return YearFirst, "dates with the year first"
		}
		a, _ := strconv.Atoi(parts[1])
		b, _ := strconv.Atoi(parts[3])
		first, second, points = max(first, a), max(second, b), points || parts[2] == "."
	}
	switch {
	case first == 0:
		return "", ""
	case first > 12 && second > 12:
		return "", "dates of which no order makes sense"
	case first > 12:
		return DayFirst, "dates with the day first, since one is after the 12th"
	case second > 12:
		return MonthFirst, "dates with the month first, since one is after the 12th"
	case points:
		return DayFirst, "dates with the day first, as they are written with points"
	}
	return "", "dates that could have the day or the month first: choose"
}

// TableOf takes a file apart by its settings, for somebody to look at.
func TableOf(data []byte, s Settings) (Table, error) {
	decoded, encoding, err := text(data)
	if err != nil {
		return Table{}, err
	}
	if !slices.Contains(Delimiters, s.Delimiter) {
		return Table{}, &Fault{"Choose what parts the columns."}
	}
	lines, err := split(decoded, s.Delimiter)
	if err != nil {
		return Table{}, err
	}
	t := Table{Encoding: encoding, Lines: s.body(lines)}
	widest := 0
	for _, line := range t.Lines {
		widest = max(widest, len(line.Cells))
	}
	for i := range min(widest, 40) {
		name := "Column " + strconv.Itoa(i+1)
		for _, line := range lines {
			if line.Number == s.Header && cell(line, i+1) != "" {
				name += ": " + cell(line, i+1)
			}
		}
		t.Columns = append(t.Columns, name)
	}
	return t, nil
}

// Kind is what a line of a file is.
type Kind string

// The kinds of lines.
const (
	Reading Kind = "reading"
	// Failed: the monitor tried and got no pressure.
	Failed Kind = "failed"
	// Unreadable: the line says something that is no reading.
	Unreadable Kind = "unreadable"
)

// Row is a line as it was read. Systolic and Diastolic are decimals with a point, in
// mmHg.
type Row struct {
	Line                int
	Kind                Kind
	At                  time.Time
	Systolic, Diastolic string
	// Problem says what is wrong with an unreadable line.
	Problem string
}

// Check says what is missing from the settings.
func (s Settings) Check() map[string]string {
	wrong := map[string]string{}
	for name, column := range map[string]int{"systolic": s.Systolic, "diastolic": s.Diastolic, "clock": s.Clock} {
		if column < 1 {
			wrong[name] = "Choose the column."
		}
	}
	if s.Systolic > 0 && s.Systolic == s.Diastolic {
		wrong["diastolic"] = "The same column as the systolic pressure."
	}
	switch {
	case s.Date > 0 && !slices.Contains(Orders, s.Order):
		wrong["order"] = "Choose the order of the dates: they don't tell it."
	case s.Date == 0:
		if _, err := time.Parse(time.DateOnly, s.Day); err != nil {
			wrong["first_day"] = "The file has no column of dates. Enter the day of the first reading."
		}
	}
	return wrong
}

// Read reads the lines of a file. The times are local to the zone.
func Read(data []byte, s Settings, zone *time.Location) ([]Row, error) {
	table, err := TableOf(data, s)
	if err != nil {
		return nil, err
	}
	if wrong := s.Check(); len(wrong) > 0 {
		return nil, &Fault{"It is not said yet how the file is to be read."}
	}
	var rows []Row
	day := s.Day
	lastClock := ""
	for _, line := range table.Lines {
		if blank(line) {
			continue
		}
		row := Row{Line: line.Number}
		dateText := day
		if s.Date > 0 {
			dateText = cell(line, s.Date)
		}
		clock := cell(line, s.Clock)
		if s.Clock == s.Date {
			dateText, clock = parted(dateText)
		}
		written, problem := clockOf(clock)
		if problem == "" && s.Date == 0 {
			if written < lastClock { // past midnight
				day = nextDay(day)
				dateText = day
			}
			lastClock = written
		}
		if problem == "" {
			order := s.Order
			if s.Date == 0 {
				order = YearFirst
			}
			row.At, problem = moment(dateText, written, order, zone)
		}
		systolic, diastolic := cell(line, s.Systolic), cell(line, s.Diastolic)
		switch {
		case problem != "":
			row.Kind, row.Problem = Unreadable, problem
		case none(systolic) && none(diastolic):
			row.Kind = Failed
		default:
			row.Kind = Reading
			for _, part := range []struct {
				name, text string
				into       *string
			}{{"systolic", systolic, &row.Systolic}, {"diastolic", diastolic, &row.Diastolic}} {
				number, ok := decimal(part.text, s.DecimalComma)
				if !ok {
					row.Kind, row.Problem = Unreadable, "the "+part.name+" pressure is not a number"
				}
				*part.into = number
			}
		}
		if row.Kind != Unreadable {
			if i := slices.IndexFunc(rows, func(r Row) bool { return r.Kind != Unreadable && r.At.Equal(row.At) }); i >= 0 {
				row.Kind, row.Problem = Unreadable, fmt.Sprintf("the same time as line %d", rows[i].Line)
			}
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		return nil, &Fault{"The file has no line after the names of its columns."}
	}
	return rows, nil
}

func blank(line Line) bool {
	return !slices.ContainsFunc(line.Cells, func(text string) bool { return text != "" })
}

// none reports whether a cell stands for no pressure.
func none(text string) bool {
	return text == "" || strings.Trim(text, "-0") == ""
}

var plain = regexp.MustCompile(`^\d{1,3}(\.\d{1,3})?$`)

func decimal(text string, comma bool) (string, bool) {
	if comma {
		if strings.Contains(text, ".") {
			return "", false
		}
		text = strings.Replace(text, ",", ".", 1)
	}
	text = strings.TrimLeft(text[:max(0, len(text)-1)], "0") + text[max(0, len(text)-1):]
	return text, plain.MatchString(text)
}

// parted parts a date from the time in the same cell.
func parted(text string) (date, clock string) {
	if i := strings.IndexAny(text, " T"); i > 0 {
		return text[:i], strings.TrimSpace(text[i+1:])
	}
	return text, ""
}

var clocked = regexp.MustCompile(`(?i)^(\d{1,2})[:.](\d{2})(?:[:.](\d{2})(?:\.\d+)?)?\s*([ap]\.?m\.?)?$`)

// clockOf returns a time of day as HH:MM:SS, or what is wrong with it.
func clockOf(text string) (written, problem string) {
	parts := clocked.FindStringSubmatch(strings.TrimSpace(text))
	if parts == nil {
		return "", "the time is not a time of day"
	}
	hour, _ := strconv.Atoi(parts[1])
	minute, _ := strconv.Atoi(parts[2])
	second, _ := strconv.Atoi(parts[3])
	if half := strings.ToLower(parts[4]); half != "" {
		if hour < 1 || hour > 12 {
			return "", "the time is not a time of day"
		}
		hour %= 12
		if half[0] == 'p' {
			hour += 12
		}
	}
	if hour > 23 || minute > 59 || second > 59 {
		return "", "the time is not a time of day"
	}
	return fmt.Sprintf("%02d:%02d:%02d", hour, minute, second), ""
}

func nextDay(day string) string {
	at, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return at.AddDate(0, 0, 1).Format(time.DateOnly)
}

// moment puts a date and a time of day together.
func moment(date, clock, order string, zone *time.Location) (time.Time, string) {
	parts := dated.FindStringSubmatch(date)
	if parts == nil || parts[2] != parts[4] {
		return time.Time{}, "the date is not a date"
	}
	year, month, day := parts[1], parts[3], parts[5]
	switch order {
	case DayFirst:
		year, day = parts[5], parts[1]
	case MonthFirst:
		year, month, day = parts[5], parts[1], parts[3]
	}
	if len(year) == 2 {
		year = "20" + year
	}
	y, _ := strconv.Atoi(year)
	m, _ := strconv.Atoi(month)
	d, _ := strconv.Atoi(day)
	text := fmt.Sprintf("%04d-%02d-%02d %s", y, m, d, clock)
	at, err := time.ParseInLocation("2006-01-02 15:04:05", text, zone)
	if err != nil || y < 1990 {
		return time.Time{}, "the date is not a date"
	}
	if at.Format("2006-01-02 15:04:05") != text {
		return time.Time{}, "there is no such time on that day, when the clocks are changed"
	}
	return at, ""
}
