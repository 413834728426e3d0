package hl7_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"candidacy/internal/hl7"
)

// The header of an invented laboratory. Segments and fields follow chapter 2
// (control) and chapter 7 (observation reporting) of HL7 v2.5.1.
const header = `MSH|^~\&|LIS|NORTH^2.16.840.1.113883.3.999^ISO|CANDIDACY|DONOR|20240105142405+0100||ORU^R01^ORU_R01|M-1|P|2.5.1|||AL|NE||UNICODE UTF-8` + "\r"

func mustParse(t *testing.T, text string) *hl7.Message {
	t.Helper()
	m, err := hl7.Parse([]byte(text), "")
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestParts(t *testing.T) {
	m := mustParse(t, header+
		`PID|1||SYN-1^^^NORTH&2.16.840.1.113883.3.999&ISO^MR~99^^^OTHER||O\T\Hara^Åsa`+"\r"+
		`OBX|1|NM|2160-0^Creatinine^LN||0.90|mg/dL^^UCUM|||||F|||`+"\r")
	pid, obx := m.Segments[1], m.Segments[2]
	for _, each := range []struct{ is, want string }{
		{m.Segments[0].Field(1).Component(1).First(), "|"},
		{m.Segments[0].Field(2).Component(1).First(), `^~\&`},
		{m.Segments[0].Field(4).Component(2).First(), "2.16.840.1.113883.3.999"},
		{m.Segments[0].Field(18).Component(1).First(), "UNICODE UTF-8"},
		{pid.Field(3).Repetition(0).Component(4).Subcomponent(2), "2.16.840.1.113883.3.999"},
		{pid.Field(3).Repetition(1).Component(4).First(), "OTHER"},
		{pid.Field(3).Repetition(2).Component(4).First(), ""},
		{pid.Field(5).Component(1).First(), `O\T\Hara`},
		{m.Text(pid.Field(5).Component(1).First()), "O&Hara"},
		{pid.Field(5).Component(2).First(), "Åsa"},
		{pid.Field(40).Component(9).Subcomponent(9), ""},
		{obx.Field(5).Component(1).First(), "0.90"},
	} {
		if each.is != each.want {
			t.Errorf("%q, want %q", each.is, each.want)
		}
	}
	if len(obx.Fields) != 14 {
		t.Errorf("%d fields, want the empty ones at the end as well", len(obx.Fields))
	}
}

// What is lenient: each of these means the same as the first.
func TestWaysToEndALine(t *testing.T) {
	want := mustParse(t, header+"PID|1\r").Encode()
	plain := strings.TrimSuffix(header, "\r")
	for name, text := range map[string]string{
		"no end":          header + "PID|1",
		"line feeds":      plain + "\nPID|1\n",
		"both":            plain + "\r\nPID|1\r\n",
		"blank lines":     plain + "\r\r\n\rPID|1\r\r",
		"byte order mark": "\ufeff" + header + "PID|1\r",
		"begins blank":    "\r\n " + header + "PID|1\r",
	} {
		if is := mustParse(t, text).Encode(); is != want {
			t.Errorf("%s: %q", name, is)
		}
	}
}

func TestOtherDelimiters(t *testing.T) {
	m := mustParse(t, "MSH*:;!?#*LIS*N:1?2;N2\r")
	if m.Delimiters.Truncation != '#' || m.Segments[0].Field(4).Component(2).Subcomponent(2) != "2" {
		t.Errorf("%+v", m)
	}
	if !m.Delimiters.Truncated("cut off#") || m.Delimiters.Truncated("whole") {
		t.Error("truncation")
	}
	if is := m.Encode(); is != "MSH*:;!?#*LIS*N:1?2;N2\r" {
		t.Error(is)
	}
	m = mustParse(t, "MSH|^~|LIS|a&b\\c\r")
	if is := m.Text(m.Segments[0].Field(4).Component(1).First()); is != `a&b\c` {
		t.Error(is)
	}
}

func TestMalformed(t *testing.T) {
	long := header + "NTE|1||" + strings.Repeat("x", hl7.MaxBytes)
	for _, each := range []struct {
		name, text string
		at         string
		code       hl7.Code
		rejected   bool
	}{
		{"nothing", "", "MSH", hl7.SegmentSequence, true},
		{"no MSH", "PID|1\r", "MSH", hl7.SegmentSequence, true},
		{"a batch", "FHS|^~\\&\rBHS|^~\\&\r" + header, "MSH", hl7.SegmentSequence, true},
		{"small letters", strings.ToLower(header), "MSH", hl7.SegmentSequence, true},
		{"only MSH", "MSH", "MSH-1", hl7.DataType, true},
		{"a letter for separator", "MSHa^~\\&aLIS\r", "MSH-1", hl7.DataType, true},
		{"a quotation mark for separator", "MSH\"^~\\&\"LIS\r", "MSH-1", hl7.DataType, true},
		{"no delimiters", "MSH||LIS\r", "MSH-2", hl7.DataType, true},
		{"one delimiter", "MSH|^|LIS\r", "MSH-2", hl7.DataType, true},
		{"six delimiters", "MSH|^~\\&#!|LIS\r", "MSH-2", hl7.DataType, true},
		{"a delimiter twice", "MSH|^~\\^|LIS\r", "MSH-2", hl7.DataType, true},
		{"the separator again", "MSH|^~\\", "", "", false},
		{"a digit for delimiter", "MSH|^~1&|LIS\r", "MSH-2", hl7.DataType, true},
		{"an unknown character set", strings.Replace(header, "UNICODE UTF-8", "KS X 1001", 1), "MSH-18", hl7.TableValueNotFound, true},
		{"not UTF-8", header + "PID|1||\xff\r", "MSH-18", hl7.DataType, true},
		{"not ASCII", strings.Replace(header, "UNICODE UTF-8", "ASCII", 1) + "PID|\u00c5\r", "MSH-18", hl7.DataType, true},
		{"no character set and not ASCII", strings.Replace(header, "UNICODE UTF-8", "", 1) + "PID|\u00c5\r", "MSH-18", hl7.DataType, true},
		{"a hole of the character set", strings.Replace(header, "UNICODE UTF-8", "8859/6", 1) + "PID|\xff\r", "MSH-18", hl7.DataType, true},
		{"NUL", header + "PID|\x00\r", "MSH", hl7.DataType, true},
		{"too large", long, "MSH", hl7.InternalError, true},
		{"too many parts", header + "NTE|" + strings.Repeat("~", 300_000) + "\r", "NTE", hl7.SegmentSequence, false},
		{"too many segments", header + strings.Repeat("NTE\r", 10_001), "MSH", hl7.SegmentSequence, false},
		{"a line that is no segment", header + "PID|1\rfree text\r", "MSH", hl7.SegmentSequence, false},
		{"a name too long", header + "PIDX|1\r", "MSH", hl7.SegmentSequence, false},
		{"a name in small letters", header + "obx|1\r", "MSH", hl7.SegmentSequence, false},
		{"a name that begins with a digit", header + "1BX|1\r", "MSH", hl7.SegmentSequence, false},
		{"two messages", header + header, "MSH[2]", hl7.SegmentSequence, false},
		{"a segment in a value", header + "NTE|1||text\nOBX|1|NM\rNTE|2\r", "NTE", hl7.SegmentSequence, false},
	} {
		_, err := hl7.Parse([]byte(each.text), "")
		var invalid *hl7.Invalid
		if each.code == "" {
			if err != nil {
				t.Errorf("%s: %v", each.name, err)
			}
			continue
		}
		if !errors.As(err, &invalid) {
			t.Errorf("%s: accepted", each.name)
			continue
		}
		f := invalid.Faults[0]
		if f.Location.String() != each.at || f.Code != each.code || invalid.Rejected != each.rejected {
			t.Errorf("%s: %v, code %s, rejected %t", each.name, err, f.Code, invalid.Rejected)
		}
	}
}

// The characters are those of the tables of ISO 8859: the currency sign of
// part 1 is the euro sign of part 15, and Lstroke of part 2 the sign for pounds.
func TestCharsets(t *testing.T) {
	for charset, want := range map[string]string{
		"8859/1": "\u00c5\u00a4\u00a3", "8859/15": "\u00c5\u20ac\u00a3", "8859/2": "\u0139\u00a4\u0141",
		"8859/5": "\u0425\u0404\u0403", "8859/9": "\u00c5\u00a4\u00a3", "UTF-8": "",
	} {
		text := strings.Replace(header, "UNICODE UTF-8", charset, 1) + "PID|\xc5\xa4\xa3\r"
		if want == "" {
			text, want = strings.Replace(header, "UNICODE UTF-8", charset, 1)+"PID|\u0141\r", "\u0141"
		}
		m, err := hl7.Parse([]byte(text), "")
		if err != nil {
			t.Errorf("%s: %v", charset, err)
			continue
		}
		if is := m.Segments[1].Field(1).Component(1).First(); is != want {
			t.Errorf("%s: %q, want %q", charset, is, want)
		}
	}
	m, err := hl7.Parse([]byte("MSH|^~\\&|LIS\rPID|\xc5\r"), "8859/1")
	if err != nil || m.Segments[1].Field(1).Component(1).First() != "\u00c5" {
		t.Errorf("the sender's own character set: %v", err)
	}
}

// Sequences of chapter 2, "Use of escape sequences in text fields".
func TestEscapes(t *testing.T) {
	for text, want := range map[string]string{
		`plain`:                `plain`,
		`a\F\b\S\c\T\d\R\e\E\`: `a|b^c&d~e\`,
		`\H\bold\N\`:           `bold`,
		`one\.br\two`:          "one\ntwo",
		`one\.sp\two`:          "one\ntwo",
		`one\.sp2\two`:         "one\n\ntwo",
		`one\.sp+2\two`:        "one\n\ntwo",
		`\.in+4\one\.ti-4\`:    "one",
		`a\.sk3\b`:             "a   b",
		`\.fi\one\.nf\\.ce\`:   "one\n",
		`line\X0D0A\line`:      "line\nline",
		`line\X0D\\X0A\line`:   "line\nline",
		`\X41\`:                "A",
		// What can't be known stays as it came.
		`\XC5\`:         `\XC5\`,
		`\X00\`:         `\X00\`,
		`\X4\`:          `\X4\`,
		`\Zlocal\F\`:    `\Zlocal\F\`,
		`\C2842\text`:   `\C2842\text`,
		`\.xx\`:         `\.xx\`,
		`\.sp99999999\`: `\.sp99999999\`,
		`50\100 \F\`:    `50\100 |`,
		`end\`:          `end\`,
		`\\`:            `\\`,
		`\f\`:           `\f\`,
		`\P\`:           `\P\`,
	} {
		if is := hl7.Usual.Text(text); is != want {
			t.Errorf("%q is %q, want %q", text, is, want)
		}
	}
}

func TestLocations(t *testing.T) {
	for _, l := range []hl7.Location{
		{Segment: "MSH", Sequence: 1}, {Segment: "OBX", Sequence: 2, Field: 5, Repetition: 1}, {Segment: "PID", Sequence: 1, Field: 3, Repetition: 2, Component: 4, Subcomponent: 1},
		{Segment: "OBX", Sequence: 12, Field: 3, Repetition: 1, Component: 1},
	} {
		back, err := hl7.ParseLocation(l.String())
		if l.Field == 0 {
			l.Repetition = back.Repetition
		}
		if err != nil || back != l {
			t.Errorf("%s became %+v, %v", l, back, err)
		}
	}
	for _, text := range []string{"", "-3", "PID-x", "PID-3.1.1.1", "PID[-1]", "PID[2-3", "PID-3.x"} {
		if l, err := hl7.ParseLocation(text); err == nil {
			t.Errorf("%q was read as %+v", text, l)
		}
	}
}

// anyMessage draws a message that the standard allows, in any delimiters.
func anyMessage(t *rapid.T) *hl7.Message {
	signs := rapid.Permutation([]byte("|^~\\&#!$%*:;?@_`{}")).Draw(t, "delimiters")
	d := hl7.Delimiters{Field: signs[0], Component: signs[1], Repetition: signs[2], Escape: signs[3], Subcomponent: signs[4]}
	if rapid.Bool().Draw(t, "truncation") {
		d.Truncation = signs[5]
	}
	value := rapid.Custom(func(t *rapid.T) string {
		return d.Escaped(rapid.StringOfN(rapid.RuneFrom([]rune("aZ09 .|^~\\&#\"\n\tÅ語")), 0, 6, -1).Draw(t, "text"))
	})
	component := rapid.Custom(func(t *rapid.T) hl7.Component {
		c := hl7.Component(rapid.SliceOfN(value, 0, 3).Draw(t, "subcomponents"))
		if len(c) == 0 || len(c) == 1 && c[0] == "" {
			return nil
		}
		return c
	})
	repetition := rapid.Custom(func(t *rapid.T) hl7.Repetition {
		r := hl7.Repetition(rapid.SliceOfN(component, 0, 3).Draw(t, "components"))
		if len(r) == 0 || len(r) == 1 && r[0] == nil {
			return nil
		}
		return r
	})
	field := rapid.Custom(func(t *rapid.T) hl7.Field {
		f := hl7.Field(rapid.SliceOfN(repetition, 0, 3).Draw(t, "repetitions"))
		if len(f) == 0 || len(f) == 1 && f[0] == nil {
			return nil
		}
		return f
	})
	segment := rapid.Custom(func(t *rapid.T) hl7.Segment {
		return hl7.Segment{
			Name:   rapid.StringMatching(`[A-LN-Z][A-Z0-9]{2}`).Draw(t, "name"),
			Fields: orNone(rapid.SliceOfN(field, 0, 6).Draw(t, "fields")),
		}
	})
	characters := []byte{d.Component, d.Repetition, d.Escape, d.Subcomponent}
	if d.Truncation != 0 {
		characters = append(characters, d.Truncation)
	}
	msh := hl7.Segment{Name: "MSH", Fields: []hl7.Field{{{{string(rune(d.Field))}}}, {{{string(characters)}}}}}
	msh.Fields = append(msh.Fields, rapid.SliceOfN(field, 0, 6).Draw(t, "header")...)
	return &hl7.Message{Delimiters: d, Segments: append([]hl7.Segment{msh}, rapid.SliceOfN(segment, 0, 5).Draw(t, "segments")...)}
}

func orNone(fields []hl7.Field) []hl7.Field {
	if len(fields) == 0 {
		return nil
	}
	return fields
}

func same(a, b *hl7.Message) bool {
	part := func(x, y hl7.Component) bool { return slices.Equal(x, y) }
	repetition := func(x, y hl7.Repetition) bool { return slices.EqualFunc(x, y, part) }
	field := func(x, y hl7.Field) bool { return slices.EqualFunc(x, y, repetition) }
	return a.Delimiters == b.Delimiters && slices.EqualFunc(a.Segments, b.Segments, func(x, y hl7.Segment) bool {
		return x.Name == y.Name && slices.EqualFunc(x.Fields, y.Fields, field)
	})
}

func TestWhatIsWrittenIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anyMessage(t)
		text := m.Encode()
		// A field can look like a character set that is not read.
		back, err := hl7.Parse([]byte(text), "UNICODE UTF-8")
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		if !same(m, back) {
			t.Fatalf("%q became %q: %+v", text, back.Encode(), back)
		}
	})
}

func TestWhatIsEscapedIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyMessage(t).Delimiters
		// Of a carriage return a line break is left, and NUL is never read.
		text := strings.NewReplacer("\r\n", "\n", "\r", "\n", "\x00", "").Replace(rapid.String().Draw(t, "text"))
		if back := d.Text(d.Escaped(text)); back != text {
			t.Fatalf("%q became %q", text, back)
		}
	})
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(header+"PID|1||A^^^B&C~D\rOBX|1|NM|2160-0^^LN||1.0\r"), "")
	f.Add([]byte("MSH|^~\\&|\nOBX|\xc5\n"), "8859/1")
	f.Add([]byte("MSH*:;!?#*x"), "")
	f.Fuzz(func(t *testing.T, raw []byte, charset string) {
		hl7.Peek(raw)
		m, err := hl7.Parse(raw, charset)
		if err != nil {
			var invalid *hl7.Invalid
			if !errors.As(err, &invalid) || len(invalid.Faults) == 0 {
				t.Fatalf("an error without faults: %v", err)
			}
			return
		}
		// What was read once reads the same from its own text.
		text := m.Encode()
		m.Segments[0].Fields = m.Segments[0].Fields[:min(len(m.Segments[0].Fields), 17)]
		again, err := hl7.Parse([]byte(m.Encode()), "UNICODE UTF-8")
		if err != nil || again.Encode() != m.Encode() {
			t.Fatalf("%q: %v", text, err)
		}
	})
}

func FuzzEscapes(f *testing.F) {
	f.Add(`a\F\b\.sp3\\X0D\`)
	f.Add(`\Z\F\`)
	f.Fuzz(func(t *testing.T, text string) {
		read := hl7.Usual.Text(text)
		if strings.ContainsAny(read, "\x00\r") {
			return
		}
		if again := hl7.Usual.Text(hl7.Usual.Escaped(read)); again != read {
			t.Fatalf("%q became %q", read, again)
		}
	})
}
