package population

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/command"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// molar are codes of the same analyte in moles, with the factor from the mass.
// Molar masses: creatinine 113.12, glucose 180.16, calcium 40.078, phosphorus
// 30.974, uric acid 168.11 g/mol.
var molar = map[string]struct {
	code   string
	factor float64
	unit   string
}{
	"2160-0": {"14682-9", 88.40, "umol/L"}, "1558-6": {"14771-0", 0.05551, "mmol/L"}, "1518-0": {"14995-5", 0.05551, "mmol/L"},
	"17861-6": {"2000-8", 0.2495, "mmol/L"}, "2777-1": {"14879-1", 0.3229, "mmol/L"}, "3084-1": {"14933-6", 59.48, "umol/L"},
}

// whole are units whose numbers are counts.
var whole = []string{"1", "{score}"}

// vary makes of unremarkable results such as laboratories and people report:
// other units, numbers of the whole plausible range, other answers, times without
// a time of day.
func (p *player) vary(list []command.Result) []command.Result {
	out := make([]command.Result, 0, len(list))
	for _, r := range list {
		o, known := p.protocol.Observation(r.Code.Code)
		if !known {
			continue
		}
		truth := r
		unusual := p.chance(p.who.abnormal)
		switch {
		case r.Quantity != nil:
			r.Quantity = p.number(&r, o, unusual)
		case r.Coded != nil && unusual && o.Code != "882-1":
			answer := pick(p.dice, o.Answers()...)
			r.Coded = &answer
		case len(r.Components) > 0:
			r.Components = p.pressures(r.Components, unusual)
		}
		p.dress(&r, o)
		if unusual {
			p.truths[r.Identifier] = truth
		}
		out = append(out, r)
	}
	return out
}

// number is one near the unremarkable one, or anywhere in what is plausible.
func (p *player) number(r *command.Result, o protocol.Observation, unusual bool) *result.Quantity {
	normal, err := r.Quantity.Float()
	if err != nil || strings.HasPrefix(o.Code, "iohexol") {
		return r.Quantity
	}
	q := *r.Quantity
	counted := slices.Contains(whole, q.Unit)
	value := normal
	switch {
	case unusual && counted:
		value = math.Round(o.Low + p.dice.Float64()*p.dice.Float64()*min(o.High-o.Low, 20))
	case unusual:
		low := max(o.Low, o.High/1e6)
		value = low * math.Pow(o.High/low, p.dice.Float64())
	case !counted && p.chance(0.6):
		value = normal * (0.94 + 0.12*p.dice.Float64())
	}
	value = min(max(value, o.Low), o.High)
	switch m, ok := molar[o.Code]; {
	case ok && p.chance(0.25):
		other, known := p.protocol.Observation(m.code)
		if known {
			r.Code = result.Coding{System: protocol.LOINCSystem, Code: other.Code, Display: other.Title}
			value, q.Unit = min(max(value*m.factor, other.Low), other.High), m.unit
		}
	case len(o.Factors) > 1 && p.chance(0.25):
		n := p.dice.IntN(len(o.Units))
		value, q.Unit = value*o.Factors[n], o.Units[n]
	}
	q.Value = json.Number(p.digits(value, counted))
	if q.Value == r.Quantity.Value || counted {
		return &q
	}
	if p.chance(0.01) {
		q.Comparator = pick(p.dice, "<", "<=", ">", ">=")
	}
	return &q
}

// digits writes a number as a laboratory would, sometimes with zeros at its end.
func (p *player) digits(value float64, counted bool) string {
	places := 0
	switch {
	case counted:
	case value < 1:
		places = 3
	case value < 20:
		places = 1 + p.dice.IntN(2)
	case value < 200:
		places = p.dice.IntN(2)
	}
	return strconv.FormatFloat(value, 'f', places, 64)
}

func (p *player) pressures(parts []result.Component, unusual bool) []result.Component {
	shift := p.dice.IntN(7) - 3
	if unusual {
		shift = p.dice.IntN(50) - 10
	}
	parts = slices.Clone(parts)
	for i := range parts {
		q := *parts[i].Value.Quantity
		if v, err := q.Value.Int64(); err == nil {
			q.Value = json.Number(strconv.FormatInt(v+int64(shift), 10))
		}
		parts[i].Value.Quantity = &q
	}
	return parts
}

// dress adds what a report may say beside its value.
func (p *player) dress(r *command.Result, o protocol.Observation) {
	at, err := time.Parse(time.RFC3339, r.Effective)
	if err != nil {
		return
	}
	timed := strings.HasPrefix(o.Code, "iohexol") || len(o.Panel) > 0 || o.Code == "882-1"
	switch {
	case timed:
	case p.chance(0.1):
		r.Effective = at.Format(time.DateOnly)
	case p.chance(0.1):
		r.Effective = at.UTC().Format("2006-01-02T15:04:05.000Z")
	case strings.Contains(strings.Join(o.Units, " "), "24.h"):
		r.Effective, r.EffectiveEnd = at.AddDate(0, 0, -1).Format(time.RFC3339), r.Effective
	}
	if p.chance(0.4) && at.Before(p.at.Add(-8*time.Hour)) {
		r.Issued = at.Add(6 * time.Hour).Format(time.RFC3339)
	}
	if o.Category == "laboratory" && r.Specimen == "" && p.chance(0.5) {
		r.Specimen = fmt.Sprintf("ACC-%06d-%d", p.seed, p.dice.IntN(9))
	}
	if o.Category == "laboratory" || o.Category == "imaging" {
		p.beside(r, o)
	}
	if p.chance(0.1) {
		r.Method = pick(p.dice, "IDMS traceable", "Enzymatic <jaffe> & others", "Automated")
	}
	if o.Category == "imaging" && p.chance(0.5) {
		r.BodySite = pick(p.dice, "18639004", "9846003", "left kidney", "both flanks")
	}
}

// beside adds what a laboratory or a department tells beside a value: limits of what
// is usual, interpretations, who made it and the order that it answers.
func (p *player) beside(r *command.Result, o protocol.Observation) {
	if q := r.Quantity; q != nil && p.chance(0.5) {
		limit := func(factor float64) *result.Quantity {
			value, err := q.Float()
			if err != nil {
				return nil
			}
			return &result.Quantity{Value: json.Number(p.digits(max(o.Low, value*factor), false)), Unit: q.Unit}
		}
		r.ReferenceRange = pick(p.dice,
			&result.ReferenceRange{Low: limit(0.5), High: limit(1.5)}, &result.ReferenceRange{High: limit(1.2)}, &result.ReferenceRange{Low: limit(0.8)},
			&result.ReferenceRange{Text: "up to <the> usual & customary"}, &result.ReferenceRange{Low: limit(0.7), High: limit(1.3), Text: "adults"},
		)
	}
	if p.chance(0.3) {
		r.Interpretation = pick(p.dice, []string{"N"}, []string{"H"}, []string{"L"}, []string{"HH"}, []string{"<"}, []string{"A", "POS"}, []string{"NEG"})
	}
	if p.chance(0.3) {
		r.Performer = pick(p.dice, "Central laboratory", "Radiology <north> & south")
	}
	if p.chance(0.2) {
		r.Order = fmt.Sprintf("ORD-%06d-%d", p.seed, p.dice.IntN(5))
	}
	if r.Specimen != "" && p.chance(0.5) {
		r.SpecimenType = pick(p.dice,
			&result.Coding{System: "http://terminology.hl7.org/CodeSystem/v2-0487", Code: "SER", Display: "Serum"},
			&result.Coding{System: "http://terminology.hl7.org/CodeSystem/v2-0487", Code: "UR", Display: "Urine"}, &result.Coding{Code: "house-plasma", Display: "Plasma"})
	}
	if p.chance(0.2) {
		r.Note = p.note()
	}
}

// panels are codes of panels and of their reports: LOINC, from memory.
var panels = []result.Coding{
	{System: protocol.LOINCSystem, Code: "24323-8", Display: "Comprehensive metabolic panel"},
	{System: protocol.LOINCSystem, Code: "58410-2", Display: "Complete blood count panel"},
}

// reported puts results of one message into a report, with a panel that has them as
// its members.
func (p *player) reported(list []command.Result) []command.Result {
	var members []command.Result
	for i := range list {
		if list[i].Category == "laboratory" && len(members) < 6 && !p.told.ConfidentialResult(list[i].Code, list[i].Components) {
			members = append(members, list[i])
		}
	}
	if len(members) < 2 {
		return list
	}
	p.made++
	code := pick(p.dice, panels...)
	report := &result.Report{
		Identifier: result.Identifier{System: laboratorySystem, Value: fmt.Sprintf("REP-%d-%d", p.seed, p.made)}, Code: code, Conclusion: p.note(),
		Status: pick[result.ReportStatus](p.dice, "", "final", "partial", "preliminary", "corrected", "appended"), Category: pick(p.dice, "", "LAB", "LAB", "HM", "PAT"),
	}
	if p.chance(0.5) {
		report.Issued = p.at.Format(time.RFC3339)
	}
	if p.chance(0.3) {
		report.Code = result.Coding{}
	}
	panel := command.Result{
		Identifier: result.Identifier{System: laboratorySystem, Value: fmt.Sprintf("PAN-%d-%d", p.seed, p.made)}, Status: result.Final, Category: "laboratory",
		Code: code, Effective: members[0].Effective, Report: report,
	}
	for i := range list {
		for _, m := range members {
			if list[i].Identifier == m.Identifier {
				list[i].Report = report
				panel.Members = append(panel.Members, m.Identifier)
			}
		}
	}
	if p.chance(0.7) {
		list = append(list, panel)
	}
	return list
}

// strange are results of codes that the protocol does not know, in every form that
// a result may have.
func (p *player) strange() []command.Result {
	base := func(code result.Coding) command.Result {
		p.made++
		return command.Result{
			Identifier: result.Identifier{System: laboratorySystem, Value: fmt.Sprintf("%d-strange-%d", p.seed, p.made)},
			Status:     pick(p.dice, result.Final, result.Preliminary, result.Amended, result.Registered, result.Cancelled, result.Unknown),
			Category:   pick(p.dice, "", "laboratory", "imaging", "exam", "procedure"),
			Code:       code, Effective: p.at.Add(-time.Duration(1+p.dice.IntN(200)) * time.Hour).Format(time.RFC3339),
		}
	}
	ferritin := base(result.Coding{Code: "2276-4", Display: "Ferritin"})
	report := base(result.Coding{System: "https://laboratory.example/codes", Code: "renal-scan-report", Display: "Renal scan <report> & comment"})
	local := base(result.Coding{System: "https://laboratory.example/codes", Code: "XY 12", Display: "House test"})
	culture := base(result.Coding{Code: "600-7", Display: "Bacteria identified in blood by culture"})
	ferritin.Quantity = &result.Quantity{Value: json.Number(pick(p.dice, "92", "5.0", "1.2e2", "0")), Unit: "ng/mL", Comparator: pick(p.dice, "", "<", ">")}
	report.Text = "Both kidneys take up tracer alike; <no> scar & no stone.\nSecond line \\u003c as typed."
	local.Coded = &result.Coding{Display: "not seen"}
	culture.Coded = &result.Coding{System: "http://snomed.info/sct", Code: "264868006", Display: "No growth"}
	list := []command.Result{ferritin, report, local, culture}
	p.dice.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
	return list[:1+p.dice.IntN(len(list))]
}

const laboratorySystem = "https://laboratory.example/synthetic"
