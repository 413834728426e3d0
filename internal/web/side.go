package web

import (
	"errors"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"

	"candidacy/activities"
	"candidacy/internal/clinical"
	"candidacy/internal/clinical/laterality"
	ucum "candidacy/internal/clinical/units"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// sideModel is both kidneys side by side, with the advice.
type sideModel struct {
	Rows    []sideRow
	Answer  string
	Reasons []sideReason
	Notes   []string
	Why     string
	Remains []fact
	Source  string
	// Unknown are findings that are not on record for both kidneys.
	Unknown []string
	// Flags are those that call for a word, Calm the others.
	Flags, Calm []flagModel
}

// sideRow is one finding of both kidneys.
type sideRow struct{ Title, Left, Right, Difference, When string }

type sideReason struct {
	Text, Source string
	Mark         template.HTML
}

var answerWords = map[string]string{
	laterality.DonateLeft: "The left kidney is advised.", laterality.DonateRight: "The right kidney is advised.",
	laterality.SurgeonDecides: "No side is advised: the surgeon decides.",
}

var weightMarks = map[clinical.Weight]template.HTML{
	clinical.Decides: mark("band-meets", "disc", "Decides"), clinical.Supports: mark("status-met", "tick", "Speaks for it"),
	clinical.Opposes: mark("band-needs-discussion", "triangle", "Speaks against it"), clinical.Neutral: mark("band-none", "bar", "Separates nothing"),
	clinical.NotKnown: mark("band-cannot-decide", "diamond", "Not known"),
}

var oneSide = mark("status-resulted", "triangle", "Speaks for one side")

// sided reads what is on record of each kidney.
type sided struct {
	scene
	latest map[string]result.Result
}

func sidedOf(sc scene) sided {
	s := sided{sc, map[string]result.Result{}}
	for _, r := range sc.viewer.reader().Results(sc.protocol, sc.results, sc.entries) {
		if !r.Status.Usable() {
			continue
		}
		if known, ok := s.latest[r.Code.Code]; !ok || moment(known) <= moment(r) {
			s.latest[r.Code.Code] = r
		}
	}
	return s
}

func (s sided) number(code string) (float64, bool) {
	r, ok := s.latest[code]
	if !ok || r.Value.Quantity == nil || r.Value.Quantity.Comparator != "" {
		return 0, false
	}
	value, err := r.Value.Quantity.Float()
	return value, err == nil
}

func (s sided) measurement(code string) clinical.Measurement {
	r, ok := s.latest[code]
	value, known := s.number(code)
	if !ok || !known {
		return clinical.Measurement{}
	}
	return clinical.Measurement{Quantity: ucum.Quantity{Value: value, Unit: r.Value.Quantity.Unit}, Date: r.Effective, Ref: r.ID}
}

func (s sided) count(code string) int {
	value, ok := s.number(code)
	if !ok || value != math.Trunc(value) || value < 0 || value > 50 {
		return 0
	}
	return int(value)
}

func (s sided) coded(code string) string {
	if r, ok := s.latest[code]; ok && r.Value.Coding != nil {
		return r.Value.Coding.Code
	}
	return ""
}

func (s sided) answer(code string) clinical.Answer {
	return map[string]clinical.Answer{"373066001": clinical.Yes, "373067005": clinical.No}[s.coded(code)]
}

func (s sided) kidney(side laterality.Side) laterality.Kidney {
	at := "-" + string(side)
	k := laterality.Kidney{
		Volume: s.measurement("kidney-volume" + at), LargestStone: s.measurement("stone-largest" + at), Cysts: laterality.CystClass(s.coded("cysts" + at)),
		OtherLesion: s.answer("other-lesion" + at), PreExisting: s.answer("earlier-disease" + at), EarlyBranching: s.answer("artery-early-branching" + at),
		Arteries: s.count("arteries" + at), Veins: s.count("veins" + at), Ureters: s.count("ureters" + at),
	}
	if stones, ok := s.number("stones" + at); ok {
		n := int(stones)
		k.Stones = &n
	} else if largest, ok := s.number("stone-largest"); ok && largest == 0 {
		// No stone anywhere is none on either side.
		k.Stones = new(int)
	}
	if share, ok := s.number("split-function-left"); ok && side == laterality.Left {
		k.Split = s.measurement("split-function-left")
	} else if ok {
		k.Split = s.measurement("split-function-left")
		k.Split.Quantity.Value = 100 - share
	}
	return k
}

// sideOf compares both kidneys by what is on record.
func sideOf(sc scene) (sideModel, error) {
	s := sidedOf(sc)
	in := laterality.Input{Left: s.kidney(laterality.Left), Right: s.kidney(laterality.Right), SplitMethod: laterality.SplitMethod(s.coded("split-method"))}
	measured := ""
	for _, d := range sc.report().Derived {
		if d.Key == measuredGFRKey || d.Key == "creatinine-clearance" && measured == "" || d.Key == "egfr-creatinine" && measured == "" {
			if value, err := strconv.ParseFloat(d.Value, 64); err == nil {
				in.GFR, measured = clinical.NewMeasurement(value, d.Unit), d.Title
			}
		}
	}
	m := sideModel{Rows: s.rows()}
	m.Flags, m.Calm = parted(s.flags())
	for _, row := range m.Rows {
		if row.Left == "" || row.Right == "" {
			m.Unknown = append(m.Unknown, row.Title)
		}
	}
	advice, err := laterality.Suggest(in, laterality.DefaultRules())
	var fault *clinical.Error
	if errors.As(err, &fault) {
		m.Why = errorWord(err)
		return m, nil
	}
	if err != nil {
		return m, err
	}
	m.Answer, m.Source = answerWords[advice.Answer], advice.Rule+"; "+advice.Source
	for _, reason := range advice.Reasons {
		weight := weightMarks[reason.Weight]
		if advice.Answer == laterality.SurgeonDecides && (reason.Weight == clinical.Supports || reason.Weight == clinical.Opposes) {
			weight = oneSide // nothing is advised that it could be for or against
		}
		m.Reasons = append(m.Reasons, sideReason{capital(reason.Text), reason.Source, weight})
	}
	for _, w := range advice.Warnings {
		m.Notes = append(m.Notes, capital(w.Message)+".")
	}
	for _, r := range advice.Remaining {
		m.Remains = append(m.Remains, fact{
			"If the " + string(r.Donated) + " kidney is given, what stays has now",
			clinical.Display(r.Value.Value, 0) + " " + unitWord(r.Value.Unit) + ", of " + lower(measured),
		})
	}
	return m, nil
}

// sideFindings are the findings of each kidney, in the order in which they are weighed.
var sideFindings = []struct{ title, code string }{
	{"Split function", "split-function"}, {"Volume", "kidney-volume"}, {"Length", "kidney-length"}, {"Arteries", "arteries"}, {"Artery divides early", "artery-early-branching"},
	{"Veins", "veins"}, {"Ureters", "ureters"}, {"Stones", "stones"}, {"Largest stone", "stone-largest"}, {"Most complex cyst", "cysts"},
	{"Another lesion or a scar", "other-lesion"}, {"Earlier disease or injury", "earlier-disease"},
}

func (s sided) rows() []sideRow {
	var list []sideRow
	for _, f := range sideFindings {
		row := sideRow{Title: f.title}
		left, leftOn := s.latest[f.code+"-left"]
		right, rightOn := s.latest[f.code+"-right"]
		if leftOn {
			row.Left, row.When = valueWord(left.Value), whenWord(left.Effective, s.protocol.Zone())
		}
		if rightOn {
			row.Right = valueWord(right.Value)
		}
		a, aKnown := s.number(f.code + "-left")
		b, bKnown := s.number(f.code + "-right")
		switch {
		case f.code == "split-function" && aKnown:
			b = 100 - a
			row.Right = strconv.FormatFloat(b, 'f', -1, 64) + " %"
			row.Difference = clinical.Display(math.Abs(a-b), 1) + " points"
		case f.code == "kidney-volume" && aKnown && bKnown && a+b > 0:
			row.Difference = clinical.Display(100*math.Abs(a-b)/(a+b), 1) + " points of the sum"
		case aKnown && bKnown:
			if a != b {
				row.Difference = strings.TrimSpace(strconv.FormatFloat(math.Abs(clinical.Round(a-b, 6)), 'f', -1, 64) + " " + unitWord(left.Value.Quantity.Unit))
			}
		case leftOn && rightOn && row.Left != row.Right:
			row.Difference = "differs"
		}
		if f.code == "stones" && row.Left == "" && row.Right == "" {
			if largest, ok := s.number("stone-largest"); ok && largest == 0 {
				row.Left, row.Right, row.When = "none", "none", whenWord(s.latest["stone-largest"].Effective, s.protocol.Zone())
			}
		}
		if f.code == "stone-largest" && (row.Left == "" && s.count("stones-left") == 0 || row.Right == "" && s.count("stones-right") == 0) && row.Left == row.Right {
			continue // without a stone there is none to measure
		}
		list = append(list, row)
	}
	return list
}

// flags are what the protocol's own thresholds say of the vessels, the sizes and the
// split.
func (s sided) flags() []flagModel {
	var about []protocol.Flag
	for _, f := range s.viewer.reader().Flags(s.protocol, s.report().Flags) {
		rule, ok := flagRule(s.protocol, f.ID)
		if ok && (rule.Requirement == "renal-anatomy" || rule.Requirement == "split-function") {
			about = append(about, f)
		}
	}
	list := flagModels(s.protocol, s.candidate.State, about)
	return slices.DeleteFunc(list, func(f flagModel) bool { return f.Title == "" })
}

// report is what the protocol makes of what is on record before the operation.
func (s scene) report() protocol.Report {
	return activities.Eligibility(s.protocol, activities.PersonOf(s.candidate), s.results, s.candidate.State.Operated, s.today)
}
