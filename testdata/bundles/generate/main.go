// Command generate writes the incoming laboratory files of the demonstration:
// FHIR R4 transaction Bundles for 24 invented people, and a manifest.
//
//	go run ./testdata/bundles/generate [-base 2026-11-25] [-out testdata/bundles]
//
// Everybody and everything in the output is invented. The same flags always
// give the same bytes, so that a difference under version control is a change
// of this program or of its table.
package main

import (
	"bytes"
	"crypto/sha1" // RFC 4122 prescribes it for name-based UUIDs; nothing here is secret.
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // the machine may have no time zone database
)

const (
	programme = "Lindholm Valley"
	zone      = "Europe/Stockholm"

	mrnSystem       = "urn:oid:1.2.36.146.595.217.0.1"
	resultSystem    = "https://lab.lindholm-valley.example/result"
	accessionSystem = "https://lab.lindholm-valley.example/accession"
	performerSystem = "https://lindholm-valley.example/unit"
	localSystem     = "https://candidacy.example/CodeSystem/observation"

	loincSystem    = "http://loinc.org"
	snomedSystem   = "http://snomed.info/sct"
	ucumSystem     = "http://unitsofmeasure.org"
	categorySystem = "http://terminology.hl7.org/CodeSystem/observation-category"
	sectionSystem  = "http://terminology.hl7.org/CodeSystem/v2-0074"
	reportSystem   = "https://lab.lindholm-valley.example/report"
	interpretation = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
)

func main() {
	base := flag.String("base", "2026-11-25", "the demonstration's today, YYYY-MM-DD")
	out := flag.String("out", "testdata/bundles", "folder to write to")
	flag.Parse()
	if flag.NArg() > 0 {
		flag.Usage()
		os.Exit(2)
	}
	if err := run(*base, *out); err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}

func run(base, out string) error {
	location, err := time.LoadLocation(zone)
	if err != nil {
		return err
	}
	today, err := time.ParseInLocation(time.DateOnly, base, location)
	if err != nil {
		return fmt.Errorf("-base: %w", err)
	}
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	list := manifest{
		Note:      "Invented people for demonstrations and tests. No value belongs to anybody.",
		Programme: programme, Base: base, TimeZone: zone, MRNSystem: mrnSystem,
	}
	for i, c := range candidates {
		person, files, err := newWriter(c, i, today).files()
		if err != nil {
			return fmt.Errorf("candidate %d: %w", i+1, err)
		}
		for name, raw := range files {
			if err := os.WriteFile(filepath.Join(out, name), raw, 0o644); err != nil {
				return err
			}
		}
		list.Candidates = append(list.Candidates, person)
	}
	raw, err := json.MarshalIndent(list, "", "  ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(out, "manifest.json"), append(raw, '\n'), 0o644)
}

type manifest struct {
	Note       string           `json:"note"`
	Programme  string           `json:"programme"`
	Base       string           `json:"base"`
	TimeZone   string           `json:"timeZone"`
	MRNSystem  string           `json:"mrnSystem"`
	Candidates []manifestPerson `json:"candidates"`
}

type manifestPerson struct {
	ID            string         `json:"id"`
	MRN           string         `json:"mrn"`
	Given         string         `json:"given"`
	Family        string         `json:"family"`
	BirthDate     string         `json:"birthDate"`
	Sex           string         `json:"sex"`
	ReferralDate  string         `json:"referralDate"`
	OperationDate string         `json:"operationDate"`
	Story         string         `json:"story"`
	Files         []manifestFile `json:"files"`
}

type manifestFile struct {
	Kind           string `json:"kind"`
	Name           string `json:"name"`
	Observations   int    `json:"observations"`
	FirstEffective string `json:"firstEffective"`
	LastIssued     string `json:"lastIssued"`
	// Available is false where the file still lies in the future of the base
	// date: a laboratory could not have sent it yet.
	Available bool `json:"available"`
}

// A candidate holds what the table says; everything else is derived.
type candidate struct {
	given, family string
	born          string
	sex           string
	referral      int // days before the base date
	height        float64
	weight        float64
	systolic      float64 // office mean
	diastolic     float64
	abo           string
	creatinine    float64 // mg/dL
	gfr           float64 // measured, mL/min/1.73 m2
	glucose       float64 // mg/dL, fasting
	hba1c         float64
	tolerance     float64 // mg/dL, two hours after 75 g of glucose, if measured
	haemoglobin   float64
	acr           float64 // mg/g
	story         string

	operation  int     // days from the base date, if not about nine months after the referral
	today      bool    // the operation is on the base date
	collection bool    // 24 h urine instead of the tracer
	molar      bool    // this laboratory reports creatinine in umol/L
	secondABO  string  // where the second sample disagrees
	ambulatory [2]int  // 24 h means, if measured
	timedAER   float64 // albumin in a timed collection, mg/24 h
}

const (
	female = "female"
	male   = "male"
)

// The order is the numbering c01..c24. Offsets are spread so that on the base
// date the candidates stand at every stage, from referral to follow-up.
var candidates = []candidate{
	{given: "Alvira", family: "Testford", born: "1981-03-14", sex: female, referral: 1070, operation: -740, height: 167, weight: 64.2, systolic: 116, diastolic: 72, abo: "O positive", creatinine: 0.72, gfr: 101, glucose: 88, hba1c: 5.2, haemoglobin: 13.6, acr: 5, story: "healthy, two years followed up"},
	{given: "Bertin", family: "Mockwell", born: "1976-08-02", sex: male, referral: 760, height: 181, weight: 82.5, systolic: 122, diastolic: 76, abo: "A positive", creatinine: 0.91, gfr: 97, glucose: 92, hba1c: 5.3, haemoglobin: 15.1, acr: 4, story: "healthy, followed up"},
	{given: "Corissa", family: "Samplewood", born: "1969-11-27", sex: female, referral: 620, height: 162, weight: 61.0, systolic: 118, diastolic: 70, abo: "O negative", creatinine: 0.68, gfr: 95, glucose: 90, hba1c: 5.4, haemoglobin: 13.2, acr: 7, collection: true, story: "healthy, 24 h urine collection"},
	{given: "Davrin", family: "Fixtureholm", born: "1986-05-19", sex: male, referral: 540, height: 178, weight: 77.8, systolic: 119, diastolic: 74, abo: "B positive", creatinine: 0.88, gfr: 108, glucose: 86, hba1c: 5.1, haemoglobin: 14.8, acr: 3, molar: true, story: "healthy, creatinine in umol/L"},
	{given: "Elvane", family: "Placeby", born: "1984-02-08", sex: female, referral: 75, height: 168, weight: 102.7, systolic: 124, diastolic: 78, abo: "A positive", creatinine: 0.74, gfr: 104, glucose: 97, hba1c: 5.5, haemoglobin: 13.4, acr: 9, story: "body mass index 36.4"},
	{given: "Fenrick", family: "Dummeryd", born: "1968-06-30", sex: male, referral: 120, height: 176, weight: 79.4, systolic: 123, diastolic: 76, abo: "O positive", creatinine: 1.10, gfr: 72, glucose: 94, hba1c: 5.4, haemoglobin: 14.6, acr: 8, story: "borderline estimated and measured GFR"},
	{given: "Galina", family: "Exampleton", born: "1973-09-12", sex: female, referral: 95, height: 165, weight: 68.3, systolic: 134, diastolic: 84, abo: "A negative", creatinine: 0.70, gfr: 96, glucose: 93, hba1c: 5.4, haemoglobin: 13.1, acr: 6, ambulatory: [2]int{122, 73}, story: "raised office pressure, ambulatory pressure normal"},
	{given: "Halvor", family: "Synthgard", born: "1979-12-05", sex: male, referral: 140, height: 183, weight: 88.1, systolic: 121, diastolic: 75, abo: "O positive", creatinine: 0.93, gfr: 99, glucose: 91, hba1c: 5.3, haemoglobin: 15.4, acr: 45, timedAER: 22, story: "raised spot albumin, timed collection normal"},
	{given: "Imrana", family: "Stubbefield", born: "1965-04-21", sex: female, referral: 110, height: 163, weight: 66.9, systolic: 126, diastolic: 77, abo: "B positive", creatinine: 0.94, gfr: 55, glucose: 95, hba1c: 5.5, haemoglobin: 12.9, acr: 12, story: "measured GFR below the programme's threshold"},
	{given: "Jorvik", family: "Placehold", born: "1990-07-17", sex: male, referral: 85, height: 180, weight: 80.6, systolic: 117, diastolic: 71, abo: "A positive", secondABO: "O positive", creatinine: 0.90, gfr: 110, glucose: 87, hba1c: 5.0, haemoglobin: 15.0, acr: 4, story: "the two blood group samples disagree"},
	{given: "Kaelith", family: "Sampleby", born: "1977-01-25", sex: female, referral: 70, height: 170, weight: 78.0, systolic: 125, diastolic: 77, abo: "O positive", creatinine: 0.71, gfr: 100, glucose: 112, hba1c: 5.6, tolerance: 151, haemoglobin: 13.8, acr: 8, story: "fasting glucose 112 mg/dL, impaired glucose tolerance"},
	{given: "Lorcan", family: "Mockridge", born: "1983-10-09", sex: male, referral: 480, height: 175, weight: 74.3, systolic: 115, diastolic: 70, abo: "O positive", creatinine: 0.87, gfr: 103, glucose: 85, hba1c: 5.1, haemoglobin: 14.7, acr: 3, collection: true, story: "healthy, 24 h urine collection, six-month visit done"},
	{given: "Miravel", family: "Fictane", born: "1971-05-03", sex: female, referral: 420, height: 160, weight: 57.6, systolic: 114, diastolic: 69, abo: "AB positive", creatinine: 0.66, gfr: 94, glucose: 89, hba1c: 5.3, haemoglobin: 13.0, acr: 6, molar: true, story: "healthy, creatinine in umol/L"},
	{given: "Norvan", family: "Testbury", born: "1988-02-29", sex: male, referral: 360, height: 186, weight: 90.2, systolic: 120, diastolic: 73, abo: "A positive", creatinine: 0.95, gfr: 106, glucose: 90, hba1c: 5.2, haemoglobin: 15.6, acr: 5, story: "healthy, born on a leap day"},
	{given: "Oriella", family: "Dummerstad", born: "1980-06-11", sex: female, referral: 330, height: 169, weight: 65.5, systolic: 112, diastolic: 68, abo: "O positive", creatinine: 0.69, gfr: 102, glucose: 84, hba1c: 5.0, haemoglobin: 13.5, acr: 4, collection: true, story: "healthy, 24 h urine collection"},
	{given: "Pellam", family: "Fixturely", born: "1974-03-28", sex: male, referral: 300, height: 179, weight: 84.7, systolic: 124, diastolic: 77, abo: "B negative", creatinine: 0.94, gfr: 93, glucose: 95, hba1c: 5.4, haemoglobin: 14.9, acr: 7, story: "healthy"},
	{given: "Quillan", family: "Samplestone", born: "1992-09-23", sex: male, referral: 260, height: 182, weight: 78.9, systolic: 118, diastolic: 72, abo: "O positive", creatinine: 0.92, gfr: 112, glucose: 83, hba1c: 4.9, haemoglobin: 15.2, acr: 3, today: true, story: "healthy, operated today"},
	{given: "Roswen", family: "Mockenby", born: "1967-12-16", sex: female, referral: 220, height: 164, weight: 63.7, systolic: 121, diastolic: 74, abo: "A positive", creatinine: 0.67, gfr: 92, glucose: 94, hba1c: 5.5, haemoglobin: 13.3, acr: 10, operation: 21, collection: true, story: "healthy, results lapse before the operation"},
	{given: "Sindre", family: "Exampleholt", born: "1985-08-07", sex: male, referral: 180, height: 177, weight: 76.1, systolic: 116, diastolic: 71, abo: "O negative", creatinine: 0.89, gfr: 105, glucose: 88, hba1c: 5.1, haemoglobin: 14.5, acr: 4, story: "healthy"},
	{given: "Tavira", family: "Stubbefjell", born: "1978-04-04", sex: female, referral: 150, height: 171, weight: 70.4, systolic: 117, diastolic: 72, abo: "O positive", creatinine: 0.70, gfr: 98, glucose: 91, hba1c: 5.3, haemoglobin: 13.7, acr: 5, molar: true, story: "healthy, creatinine in umol/L"},
	{given: "Ulfrik", family: "Synthmark", born: "1982-11-13", sex: male, referral: 55, height: 184, weight: 86.0, systolic: 122, diastolic: 75, abo: "A positive", creatinine: 0.93, gfr: 101, glucose: 92, hba1c: 5.2, haemoglobin: 15.3, acr: 6, collection: true, story: "healthy, 24 h urine collection"},
	{given: "Vesmara", family: "Fictborne", born: "1987-07-01", sex: female, referral: 32, height: 166, weight: 62.8, systolic: 113, diastolic: 70, abo: "B positive", creatinine: 0.71, gfr: 106, glucose: 86, hba1c: 5.1, haemoglobin: 13.4, acr: 4, story: "healthy, in screening"},
	{given: "Wystan", family: "Placeworth", born: "1975-10-20", sex: male, referral: 19, height: 174, weight: 81.3, systolic: 125, diastolic: 78, abo: "O positive", creatinine: 0.96, gfr: 91, glucose: 96, hba1c: 5.5, haemoglobin: 14.4, acr: 9, story: "healthy, in screening"},
	{given: "Yselde", family: "Testhaven", born: "1994-01-31", sex: female, referral: 10, height: 172, weight: 66.6, systolic: 111, diastolic: 67, abo: "O positive", creatinine: 0.69, gfr: 114, glucose: 82, hba1c: 4.9, haemoglobin: 13.9, acr: 3, collection: true, story: "healthy, just referred"},
}

// SNOMED CT findings for the combined group.
var bloodGroups = map[string]string{
	"O positive": "278147001", "O negative": "278148006",
	"A positive": "278149003", "A negative": "278152006",
	"B positive": "278150003", "B negative": "278153001",
	"AB positive": "278151004", "AB negative": "278154007",
}

// --- FHIR, only as much of it as these files need -------------------------

type bundle struct {
	ResourceType string  `json:"resourceType"`
	ID           string  `json:"id"`
	Meta         meta    `json:"meta"`
	Type         string  `json:"type"`
	Timestamp    string  `json:"timestamp"`
	Entry        []entry `json:"entry"`
}

type meta struct {
	Security []coding `json:"security"`
}

type entry struct {
	FullURL  string  `json:"fullUrl"`
	Resource any     `json:"resource"`
	Request  request `json:"request"`
}

type request struct {
	Method      string `json:"method"`
	URL         string `json:"url"`
	IfNoneExist string `json:"ifNoneExist"`
}

type observation struct {
	ResourceType      string         `json:"resourceType"`
	Identifier        []identifier   `json:"identifier"`
	Status            string         `json:"status"`
	Category          []concept      `json:"category"`
	Code              concept        `json:"code"`
	Subject           reference      `json:"subject"`
	EffectiveDateTime string         `json:"effectiveDateTime,omitempty"`
	EffectivePeriod   *period        `json:"effectivePeriod,omitempty"`
	Issued            string         `json:"issued"`
	Performer         []reference    `json:"performer"`
	ValueQuantity     *quantity      `json:"valueQuantity,omitempty"`
	ValueConcept      *concept       `json:"valueCodeableConcept,omitempty"`
	Interpretation    []concept      `json:"interpretation,omitempty"`
	Specimen          *reference     `json:"specimen,omitempty"`
	ReferenceRange    []refRange     `json:"referenceRange,omitempty"`
	HasMember         []link         `json:"hasMember,omitempty"`
	Component         []obsComponent `json:"component,omitempty"`
}

type report struct {
	ResourceType    string       `json:"resourceType"`
	Identifier      []identifier `json:"identifier"`
	Status          string       `json:"status"`
	Category        []concept    `json:"category"`
	Code            concept      `json:"code"`
	Subject         reference    `json:"subject"`
	EffectivePeriod period       `json:"effectivePeriod"`
	Issued          string       `json:"issued"`
	Performer       []reference  `json:"performer"`
	Result          []link       `json:"result"`
}

// link points to another entry.
type link struct {
	Reference string `json:"reference"`
}

type obsComponent struct {
	Code          concept  `json:"code"`
	ValueQuantity quantity `json:"valueQuantity"`
}

type refRange struct {
	Low  *quantity `json:"low,omitempty"`
	High *quantity `json:"high,omitempty"`
}

type quantity struct {
	// A json.Number keeps the digits as the laboratory wrote them: 92.50 is not 92.5.
	Value  json.Number `json:"value"`
	Unit   string      `json:"unit"`
	System string      `json:"system"`
	Code   string      `json:"code"`
}

type concept struct {
	Coding []coding `json:"coding"`
	Text   string   `json:"text,omitempty"`
}

type coding struct {
	System  string `json:"system"`
	Code    string `json:"code"`
	Display string `json:"display"`
}

type identifier struct {
	System string `json:"system"`
	Value  string `json:"value"`
}

type reference struct {
	Type       string     `json:"type,omitempty"`
	Identifier identifier `json:"identifier"`
	Display    string     `json:"display,omitempty"`
}

type period struct {
	Start string `json:"start"`
	End   string `json:"end"`
}

// --- what is measured -----------------------------------------------------

type test struct {
	code, display, text string
	local               bool
	unit, ucum          string
	digits              int
	low, high           string // reference range as printed, "" = open
}

func loinc(code, display, text, unit, ucum string, digits int) test {
	return test{code: code, display: display, text: text, unit: unit, ucum: ucum, digits: digits}
}

func (t test) within(low, high string) test {
	t.low, t.high = low, high
	return t
}

var (
	bodyHeight = loinc("8302-2", "Body height", "Height", "cm", "cm", 0)
	bodyWeight = loinc("29463-7", "Body weight", "Weight", "kg", "kg", 1)
	systolic   = loinc("8480-6", "Systolic blood pressure", "Systolic", "mmHg", "mm[Hg]", 0)
	diastolic  = loinc("8462-4", "Diastolic blood pressure", "Diastolic", "mmHg", "mm[Hg]", 0)
	pressure   = loinc("85354-9", "Blood pressure panel with all children optional", "Office blood pressure", "", "", 0)

	aboRh           = loinc("882-1", "ABO and Rh group [Type] in Blood", "ABO and Rh group", "", "", 0)
	creatinineMass  = loinc("2160-0", "Creatinine [Mass/volume] in Serum or Plasma", "Creatinine", "mg/dL", "mg/dL", 2)
	creatinineMolar = loinc("14682-9", "Creatinine [Moles/volume] in Serum or Plasma", "Creatinine", "µmol/L", "umol/L", 0)
	fastingGlucose  = loinc("1558-6", "Fasting glucose [Mass/volume] in Serum or Plasma", "Glucose, fasting", "mg/dL", "mg/dL", 0).within("70", "99")
	hba1c           = loinc("4548-4", "Hemoglobin A1c/Hemoglobin.total in Blood", "HbA1c", "%", "%", 1).within("", "5.6")
	tolerance       = loinc("1518-0", "Glucose [Mass/volume] in Serum or Plasma --2 hours post 75 g glucose PO", "Glucose, 2 h after 75 g", "mg/dL", "mg/dL", 0).within("", "139")
	haemoglobin     = loinc("718-7", "Hemoglobin [Mass/volume] in Blood", "Haemoglobin", "g/dL", "g/dL", 1)
	leukocytes      = loinc("6690-2", "Leukocytes [#/volume] in Blood by Automated count", "White cells", "10*3/µL", "10*3/uL", 1).within("3.5", "10.0")
	platelets       = loinc("777-3", "Platelets [#/volume] in Blood by Automated count", "Platelets", "10*3/µL", "10*3/uL", 0).within("150", "400")
	albuminRatio    = loinc("9318-7", "Albumin/Creatinine [Mass Ratio] in Urine", "Albumin/creatinine ratio", "mg/g", "mg/g{creat}", 0).within("", "29")
	albumin24       = loinc("14956-7", "Microalbumin [Mass/time] in 24 hour Urine", "Albumin excretion, 24 h", "mg/24 h", "mg/(24.h)", 0).within("", "29")
	urineCreatinine = loinc("2161-8", "Creatinine [Mass/volume] in Urine", "Creatinine, urine", "mg/dL", "mg/dL", 1)
	bloodCount      = loinc("58410-2", "CBC panel - Blood by Automated count", "Blood count", "", "", 0)
	labReport       = loinc("11502-2", "Laboratory report", "Laboratory report", "", "", 0)
	urineVolume     = loinc("3167-4", "Volume of 24 hour Urine", "Urine volume, 24 h", "mL", "mL", 0)

	// No LOINC number is known to fit the raw data of a plasma clearance.
	tracerDose = test{code: "iohexol-dose", display: "Iohexol dose given", text: "Iohexol dose given", local: true, unit: "mg", ucum: "mg"}
	tracerConc = test{code: "iohexol-concentration", display: "Iohexol concentration in plasma", text: "Iohexol concentration in plasma", local: true, unit: "µg/mL", ucum: "ug/mL", digits: 1}

	extravasation = test{code: "iohexol-extravasation", display: "Iohexol given beside the vein", text: "Iohexol given beside the vein", local: true}

	// One reading of a monitor is no office pressure, so it has a code of its own.
	ambulatory = test{code: "ambulatory-reading", display: "Ambulatory blood pressure reading", text: "Ambulatory blood pressure reading", local: true}
	attempts   = test{code: "ambulatory-attempted", display: "Ambulatory readings attempted", text: "Ambulatory readings attempted", local: true, unit: "readings", ucum: "1"}

	infectionScreen = []test{
		loinc("56888-1", "HIV 1+2 Ab+HIV1 p24 Ag [Presence] in Serum or Plasma by Immunoassay", "HIV antigen and antibody", "", "", 0),
		loinc("5196-1", "Hepatitis B virus surface Ag [Presence] in Serum or Plasma by Immunoassay", "Hepatitis B surface antigen", "", "", 0),
		loinc("13952-7", "Hepatitis B virus core Ab [Presence] in Serum or Plasma by Immunoassay", "Hepatitis B core antibody", "", "", 0),
		loinc("16128-1", "Hepatitis C virus Ab [Presence] in Serum", "Hepatitis C antibody", "", "", 0),
	}
)

// --- one candidate --------------------------------------------------------

type writer struct {
	candidate
	number   int
	base     time.Time
	referral time.Time
	surgery  time.Time
	noise    *rand.Rand

	kind    string
	entries []entry
	// observations counts them among the entries, and measured are the links to
	// those of the laboratory, from when until when.
	observations int
	measured     []link
	drawn, ended time.Time
	first        time.Time
	last         time.Time
	draws        int
}

func newWriter(c candidate, index int, today time.Time) *writer {
	referral := today.AddDate(0, 0, -c.referral)
	surgery := workday(referral.AddDate(0, 0, 275+(index*11)%30))
	switch {
	case c.today:
		surgery = today
	case c.operation != 0:
		surgery = workday(today.AddDate(0, 0, c.operation))
	}
	return &writer{
		candidate: c, number: index + 1, base: today, referral: referral, surgery: surgery,
		// One stream for each person: a change to one leaves the others' values alone.
		noise: rand.New(rand.NewPCG(20261125, uint64(index))),
	}
}

func (w *writer) id() string  { return fmt.Sprintf("c%02d", w.number) }
func (w *writer) mrn() string { return fmt.Sprintf("SYN-%04d", w.number) }

func (w *writer) files() (manifestPerson, map[string][]byte, error) {
	person := manifestPerson{
		ID: w.id(), MRN: w.mrn(), Given: w.given, Family: w.family, BirthDate: w.born, Sex: w.sex,
		ReferralDate: w.referral.Format(time.DateOnly), OperationDate: w.surgery.Format(time.DateOnly), Story: w.story,
	}
	files := map[string][]byte{}
	for _, part := range []struct {
		kind string
		fill func()
	}{
		{"screening", w.screening}, {"evaluation", w.evaluation}, {"preoperative", w.preoperative}, {"followup", w.followUp},
	} {
		w.kind, w.entries, w.observations, w.measured, w.first, w.last, w.draws = part.kind, nil, 0, nil, time.Time{}, time.Time{}, 0
		part.fill()
		w.count()
		w.report()
		name := w.id() + "-" + part.kind + ".json"
		raw, err := w.bundle()
		if err != nil {
			return person, nil, err
		}
		files[name] = raw
		person.Files = append(person.Files, manifestFile{
			Kind: part.kind, Name: name, Observations: w.observations,
			FirstEffective: w.first.Format(time.RFC3339), LastIssued: w.last.Format(time.RFC3339),
			Available: w.last.Before(w.base),
		})
	}
	return person, files, nil
}

// bundle prints an entry on each line: readable differences, no bulk.
func (w *writer) bundle() ([]byte, error) {
	head, err := compact(bundle{
		ResourceType: "Bundle", ID: w.id() + "-" + w.kind, Type: "transaction",
		Meta:      meta{Security: []coding{{System: "http://terminology.hl7.org/CodeSystem/v3-ActReason", Code: "HTEST", Display: "test health data"}}},
		Timestamp: w.last.Add(10 * time.Minute).Format(time.RFC3339), Entry: []entry{},
	})
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	out.Write(bytes.TrimSuffix(head, []byte("]}")))
	for i, e := range w.entries {
		raw, err := compact(e)
		if err != nil {
			return nil, err
		}
		if i > 0 {
			out.WriteByte(',')
		}
		out.WriteByte('\n')
		out.Write(raw)
	}
	out.WriteString("\n]}\n")
	return out.Bytes(), nil
}

func compact(v any) ([]byte, error) {
	var buffer bytes.Buffer
	encoder := json.NewEncoder(&buffer)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSpace(buffer.Bytes()), nil
}

func (w *writer) screening() {
	first := w.visit(w.referral, 7, 9, 5)
	w.vital(bodyHeight, w.height, first)
	w.vital(bodyWeight, w.weight, first.Add(2*time.Minute))
	// The four readings scatter symmetrically, so that their mean is the table's.
	second := w.visit(w.referral, 15, 14, 20)
	w.office(first.Add(15*time.Minute), 3, 2)
	w.office(first.Add(20*time.Minute), -1, 0)
	w.office(second, 1, 0)
	w.office(second.Add(5*time.Minute), -3, -2)
	if w.ambulatory != [2]int{} {
		w.monitor(w.visit(w.referral, 18, 8, 30))
	}
}

// monitor gives a day of ambulatory readings about the table's means: every
// half hour by day and every hour by night, a few of them failed.
func (w *writer) monitor(start time.Time) {
	const failed = 3
	attempted := failed
	for at := start; at.Before(start.Add(24 * time.Hour)); {
		upper, lower, pause := 4.0, 3.0, 30*time.Minute
		if at.Hour() >= 23 || at.Hour() < 7 {
			upper, lower, pause = -11, -8, time.Hour
		}
		o := w.observe(ambulatory, "vital-signs", at)
		o.Component = []obsComponent{
			{Code: systolic.concept(), ValueQuantity: *systolic.quantity(float64(w.ambulatory[0]) + upper + 6*w.noise.Float64() - 3)},
			{Code: diastolic.concept(), ValueQuantity: *diastolic.quantity(float64(w.ambulatory[1]) + lower + 4*w.noise.Float64() - 2)},
		}
		w.add(o)
		attempted++
		at = at.Add(pause)
	}
	o := w.observe(attempts, "vital-signs", start)
	w.span(&o, start, start.Add(24*time.Hour), 3*time.Hour)
	o.ValueQuantity = attempts.quantity(float64(attempted))
	w.add(o)
}

func (w *writer) evaluation() {
	one := w.visit(w.referral, 33, 7, 40)
	two := w.visit(w.referral, 41, 8, 10)
	other := w.abo
	if w.secondABO != "" {
		other = w.secondABO
	}
	blood1 := w.specimen("Blood, sample 1")
	blood2 := w.specimen("Blood, sample 2")
	urine := w.specimen("Urine, morning")

	w.group(w.abo, one, blood1)
	w.group(other, two, blood2)
	w.lab(w.creatinineTest(), w.creatinineValue(w.creatinine*w.vary(0.015)), one, blood1)
	w.lab(w.creatinineTest(), w.creatinineValue(w.creatinine*w.vary(0.015)), two, blood2)
	w.lab(fastingGlucose, w.glucose, one, blood1)
	w.lab(hba1c, w.hba1c, one, blood1)
	w.lab(w.haemoglobinTest(), w.haemoglobin, one, blood1)
	w.lab(leukocytes, 6.2*w.vary(0.25), one, blood1)
	w.lab(platelets, 245*w.vary(0.2), one, blood1)
	w.lab(albuminRatio, w.acr, one.Add(12*time.Minute), urine)

	if w.timedAER > 0 {
		start := w.visit(w.referral, 45, 7, 0)
		o := w.observe(albumin24, "laboratory", start)
		w.span(&o, start, start.Add(24*time.Hour), 26*time.Hour)
		o.ValueQuantity = albumin24.quantity(w.timedAER)
		o.Interpretation, o.ReferenceRange = albumin24.judge(w.timedAER)
		o.Specimen = w.specimen("Urine, 24 h collection")
		w.add(o)
	}
	if w.collection {
		w.urineCollection(two)
		return
	}
	w.tracer(w.visit(w.referral, 49, 8, 30))
	if w.tolerance > 0 {
		w.lab(tolerance, w.tolerance, w.visit(w.referral, 52, 10, 15), w.specimen("Blood, tolerance test"))
	}
}

// urineCollection derives the collection from the clearance it has to give, so
// that creatinine excretion stays plausible for the body weight.
func (w *writer) urineCollection(draw time.Time) {
	// The blood sample of that day has to fall within the collection.
	start := draw.Add(-70 * time.Minute)
	clearance := w.gfr * 1.08 * surface(w.height, w.weight) / 1.73 // tubular secretion adds a little
	excretion := clearance * 1440 * w.creatinine / 100             // mg in 24 h
	volume := math.Round(1850*w.vary(0.2)/10) * 10
	bottle := w.specimen("Urine, 24 h collection")
	for _, part := range []struct {
		test  test
		value float64
	}{{urineCreatinine, excretion / (volume / 100)}, {urineVolume, volume}} {
		o := w.observe(part.test, "laboratory", start)
		w.span(&o, start, start.Add(24*time.Hour), 5*time.Hour)
		o.ValueQuantity = part.test.quantity(part.value)
		o.Specimen = bottle
		w.add(o)
	}
}

// tracer works backwards from the measured GFR: undo the normalised
// Broechner-Mortensen correction, then sample the one-compartment decay.
func (w *writer) tracer(injection time.Time) {
	const a, b = 0.990778, 0.001218
	body := surface(w.height, w.weight)
	normalised := (a - math.Sqrt(a*a-4*b*w.gfr)) / (2 * b)
	slope := normalised * body / 1.73             // mL/min
	volume := (8116.6*body - 28.2) * w.vary(0.04) // mL
	dose := math.Round(3235 * w.vary(0.01))       // mg
	rate := slope / volume                        // 1/min
	start := dose * 1000 / volume                 // ug/mL at time zero
	w.raw(tracerDose, dose, injection, nil)
	for i, minute := range []float64{120, 150, 180, 240} {
		// Samples are drawn when they are drawn: the exact time counts,
		// and never before two hours: earlier the decay is not yet of one compartment.
		at := injection.Add(time.Duration(minute*60+float64(w.noise.IntN(210))) * time.Second)
		elapsed := at.Sub(injection).Minutes()
		value := start * math.Exp(-rate*elapsed) * w.vary(0.004)
		w.raw(tracerConc, value, at, w.specimen(fmt.Sprintf("Plasma, clearance sample %d", i+1)))
	}
	o := w.observe(extravasation, "laboratory", injection)
	o.ValueConcept = &concept{Coding: []coding{{snomedSystem, "373067005", "No"}}, Text: "No"}
	w.add(o)
}

// preoperative repeats what must be recent on the day of the operation.
func (w *writer) preoperative() {
	at := w.visit(w.surgery, -14, 8, 15)
	w.vital(bodyHeight, w.height, at)
	w.vital(bodyWeight, w.weight*w.vary(0.01), at.Add(2*time.Minute))
	draw := w.specimen("Blood, pre-operative")
	w.lab(w.creatinineTest(), w.creatinineValue(w.creatinine*w.vary(0.015)), at, draw)
	w.lab(w.haemoglobinTest(), w.haemoglobin*w.vary(0.01), at, draw)
	w.lab(leukocytes, 6.2*w.vary(0.25), at, draw)
	w.lab(platelets, 245*w.vary(0.2), at, draw)
	blood := w.specimen("Serum, infection screen")
	for _, t := range infectionScreen {
		o := w.observe(t, "laboratory", at)
		o.ValueConcept = &concept{Coding: []coding{{snomedSystem, "260385009", "Negative"}}, Text: "Negative"}
		o.Specimen = blood
		w.add(o)
	}
}

// followUp is the visit half a year after the operation: one kidney filters
// about two thirds of what two did, so creatinine is higher by 1.38.
func (w *writer) followUp() {
	at := w.visit(w.surgery, 182, 9, 30)
	w.vital(bodyWeight, w.weight*w.vary(0.015), at)
	w.office(at.Add(10*time.Minute), 3, 2)
	w.office(at.Add(15*time.Minute), 1, 0)
	blood := w.specimen("Blood, six-month visit")
	w.lab(w.creatinineTest(), w.creatinineValue(w.creatinine*1.38*w.vary(0.02)), at.Add(25*time.Minute), blood)
	w.lab(albuminRatio, math.Round(math.Min(w.acr, 20)*w.vary(0.3)), at.Add(30*time.Minute), w.specimen("Urine, six-month visit"))
}

// --- observations ---------------------------------------------------------

func (w *writer) observe(t test, category string, at time.Time) observation {
	labels := map[string]string{"laboratory": "Laboratory", "vital-signs": "Vital Signs"}
	unit := reference{Type: "Organization", Identifier: identifier{performerSystem, "laboratory"}, Display: programme + " Laboratory"}
	if category == "vital-signs" {
		unit = reference{Type: "Organization", Identifier: identifier{performerSystem, "donor-clinic"}, Display: programme + " Donor Clinic"}
	}
	delay := time.Duration(90+w.noise.IntN(150)) * time.Minute
	if category == "vital-signs" {
		delay = time.Duration(1+w.noise.IntN(4)) * time.Minute
	}
	return observation{
		ResourceType:      "Observation",
		Identifier:        []identifier{{resultSystem, w.nextNumber()}},
		Status:            "final",
		Category:          []concept{{Coding: []coding{{categorySystem, category, labels[category]}}}},
		Code:              t.concept(),
		Subject:           reference{Identifier: identifier{mrnSystem, w.mrn()}},
		EffectiveDateTime: at.Format(time.RFC3339),
		Issued:            at.Add(delay).Format(time.RFC3339),
		Performer:         []reference{unit},
	}
}

// span turns a point in time into a collection period.
func (w *writer) span(o *observation, start, end time.Time, delay time.Duration) {
	o.EffectiveDateTime = ""
	o.EffectivePeriod = &period{start.Format(time.RFC3339), end.Format(time.RFC3339)}
	o.Issued = end.Add(delay).Format(time.RFC3339)
}

func (w *writer) add(o observation) {
	begin := o.EffectiveDateTime
	if o.EffectivePeriod != nil {
		begin = o.EffectivePeriod.Start
	}
	if at, _ := time.Parse(time.RFC3339, begin); w.first.IsZero() || at.Before(w.first) {
		w.first = at.In(w.base.Location())
	}
	if at, _ := time.Parse(time.RFC3339, o.Issued); at.After(w.last) {
		w.last = at.In(w.base.Location())
	}
	w.observations++
	to := w.enter("Observation", o.Identifier[0], o)
	if o.Category[0].Coding[0].Code != "laboratory" {
		return
	}
	w.measured = append(w.measured, to)
	end := begin
	if o.EffectivePeriod != nil {
		end = o.EffectivePeriod.End
	}
	from, _ := time.Parse(time.RFC3339, begin) // it was formatted above
	until, _ := time.Parse(time.RFC3339, end)
	if len(w.measured) == 1 || from.Before(w.drawn) {
		w.drawn = from
	}
	if len(w.measured) == 1 || until.After(w.ended) {
		w.ended = until
	}
}

// enter adds an entry and returns the link to it.
func (w *writer) enter(typ string, id identifier, resource any) link {
	e := entry{
		FullURL: "urn:uuid:" + nameUUID(id.System+"|"+id.Value), Resource: resource,
		Request: request{Method: "POST", URL: typ, IfNoneExist: "identifier=" + id.System + "|" + id.Value},
	}
	w.entries = append(w.entries, e)
	return link{e.FullURL}
}

// nextNumber is the laboratory's number of the next result.
func (w *writer) nextNumber() string {
	return fmt.Sprintf("LV%04d-%s%02d", w.number, strings.ToUpper(w.kind[:1]), w.observations+1)
}

// countParts are the codes of a blood count.
var countParts = []string{"718-7", "6690-2", "777-3"}

// count adds the panel of a blood count, where its parts were measured.
func (w *writer) count() {
	var parts []link
	var last observation
	for _, e := range w.entries {
		if o, ok := e.Resource.(observation); ok && slices.Contains(countParts, o.Code.Coding[0].Code) {
			parts, last = append(parts, link{e.FullURL}), o
		}
	}
	if len(parts) != len(countParts) {
		return
	}
	last.Identifier = []identifier{{resultSystem, w.nextNumber()}}
	last.Code, last.HasMember = bloodCount.concept(), parts
	last.ValueQuantity, last.Interpretation, last.ReferenceRange = nil, nil, nil
	w.add(last)
}

// report is the laboratory's report of a file, released with the last of its
// results.
func (w *writer) report() {
	if len(w.measured) == 0 {
		return
	}
	zone := w.base.Location()
	id := identifier{reportSystem, fmt.Sprintf("LVR%04d-%s", w.number, strings.ToUpper(w.kind[:1]))}
	w.enter("DiagnosticReport", id, report{
		ResourceType: "DiagnosticReport", Identifier: []identifier{id}, Status: "final",
		Category: []concept{{Coding: []coding{{sectionSystem, "LAB", "Laboratory"}}}}, Code: labReport.concept(),
		Subject:         reference{Identifier: identifier{mrnSystem, w.mrn()}},
		EffectivePeriod: period{w.drawn.In(zone).Format(time.RFC3339), w.ended.In(zone).Format(time.RFC3339)},
		Issued:          w.last.Format(time.RFC3339),
		Performer:       []reference{{Type: "Organization", Identifier: identifier{performerSystem, "laboratory"}, Display: programme + " Laboratory"}},
		Result:          w.measured,
	})
}

func (w *writer) vital(t test, value float64, at time.Time) {
	o := w.observe(t, "vital-signs", at)
	o.ValueQuantity = t.quantity(value)
	w.add(o)
}

func (w *writer) office(at time.Time, upper, lower float64) {
	o := w.observe(pressure, "vital-signs", at)
	o.Component = []obsComponent{
		{Code: systolic.concept(), ValueQuantity: *systolic.quantity(w.systolic + upper)},
		{Code: diastolic.concept(), ValueQuantity: *diastolic.quantity(w.diastolic + lower)},
	}
	w.add(o)
}

func (w *writer) lab(t test, value float64, at time.Time, specimen *reference) {
	o := w.observe(t, "laboratory", at)
	o.ValueQuantity = t.quantity(value)
	o.Interpretation, o.ReferenceRange = t.judge(value)
	o.Specimen = specimen
	w.add(o)
}

func (w *writer) raw(t test, value float64, at time.Time, specimen *reference) {
	o := w.observe(t, "laboratory", at)
	o.ValueQuantity = t.quantity(value)
	o.Specimen = specimen
	w.add(o)
}

func (w *writer) group(abo string, at time.Time, specimen *reference) {
	o := w.observe(aboRh, "laboratory", at)
	group, rh, _ := strings.Cut(abo, " ")
	o.ValueConcept = &concept{
		Coding: []coding{{snomedSystem, bloodGroups[abo], fmt.Sprintf("Blood group %s Rh(D) %s", group, rh)}},
		Text:   abo,
	}
	o.Specimen = specimen
	w.add(o)
}

// specimen gives each draw its own accession number.
func (w *writer) specimen(display string) *reference {
	w.draws++
	value := fmt.Sprintf("LVA-%04d-%s%d", w.number, strings.ToUpper(w.kind[:1]), w.draws)
	return &reference{Type: "Specimen", Identifier: identifier{accessionSystem, value}, Display: display}
}

func (w *writer) creatinineTest() test {
	switch {
	case w.molar && w.sex == female:
		return creatinineMolar.within("45", "90")
	case w.molar:
		return creatinineMolar.within("60", "105")
	case w.sex == female:
		return creatinineMass.within("0.50", "1.00")
	default:
		return creatinineMass.within("0.70", "1.20")
	}
}

func (w *writer) creatinineValue(mass float64) float64 {
	if w.molar {
		return mass * 88.42
	}
	return mass
}

func (w *writer) haemoglobinTest() test {
	if w.sex == female {
		return haemoglobin.within("12.0", "15.5")
	}
	return haemoglobin.within("13.5", "17.0")
}

// vary gives a factor within 1 +/- part.
func (w *writer) vary(part float64) float64 {
	return 1 + part*(2*w.noise.Float64()-1)
}

// visit is a working day about so many days later, at a time of day by the
// clock on the wall, whatever the summer time.
func (w *writer) visit(from time.Time, days, hour, minute int) time.Time {
	day := workday(from.AddDate(0, 0, days))
	return time.Date(day.Year(), day.Month(), day.Day(), hour, minute+w.noise.IntN(25), w.noise.IntN(60), 0, day.Location())
}

func workday(day time.Time) time.Time {
	for day.Weekday() == time.Saturday || day.Weekday() == time.Sunday {
		day = day.AddDate(0, 0, 1)
	}
	return day
}

func (t test) concept() concept {
	system := loincSystem
	if t.local {
		system = localSystem
	}
	return concept{Coding: []coding{{system, t.code, t.display}}, Text: t.text}
}

func (t test) quantity(value float64) *quantity {
	return t.printed(strconv.FormatFloat(value, 'f', t.digits, 64))
}

func (t test) printed(value string) *quantity {
	return &quantity{Value: json.Number(value), Unit: t.unit, System: ucumSystem, Code: t.ucum}
}

// judge compares the value as printed, as a laboratory's system does.
func (t test) judge(value float64) ([]concept, []refRange) {
	if t.low == "" && t.high == "" {
		return nil, nil
	}
	shown, _ := strconv.ParseFloat(strconv.FormatFloat(value, 'f', t.digits, 64), 64)
	code, display := "N", "Normal"
	var limits refRange
	if t.low != "" {
		limits.Low = t.printed(t.low)
		if low, _ := strconv.ParseFloat(t.low, 64); shown < low {
			code, display = "L", "Low"
		}
	}
	if t.high != "" {
		limits.High = t.printed(t.high)
		if high, _ := strconv.ParseFloat(t.high, 64); shown > high {
			code, display = "H", "High"
		}
	}
	return []concept{{Coding: []coding{{interpretation, code, display}}}}, []refRange{limits}
}

// surface is the Du Bois body surface area in square metres.
func surface(height, weight float64) float64 {
	return 0.007184 * math.Pow(weight, 0.425) * math.Pow(height, 0.725)
}

// nameUUID is a version 5 UUID: the same result always gets the same one.
func nameUUID(name string) string {
	sum := sha1.Sum([]byte("\x6b\xa7\xb8\x11\x9d\xad\x11\xd1\x80\xb4\x00\xc0\x4f\xd4\x30\xc8" + name))
	sum[6] = sum[6]&0x0f | 0x50
	sum[8] = sum[8]&0x3f | 0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", sum[0:4], sum[4:6], sum[6:8], sum[8:10], sum[10:16])
}
