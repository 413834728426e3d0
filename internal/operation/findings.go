package operation

import (
	"slices"
	"strconv"
	"time"

	"candidacy/internal/clinical"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/result"
)

// Computed is a time that follows from the record. Value is unrounded.
type Computed struct {
	ID    string  `json:"id"`
	Title string  `json:"title"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	// From are the fields that it follows from.
	From []string `json:"from"`
}

// WarmIschaemia is the id of the time from the clamp on the artery to the start
// of the cold flush.
const WarmIschaemia = "warm-ischaemia"

// Times computes what the instants of a record allow. What can't be computed is
// not in the list: see Missing.
func Times(r command.RecordOperation) []Computed {
	var t command.OperationTimes
	if r.Times != nil {
		t = *r.Times
	}
	var list []Computed
	add := func(id, title, unit string, length time.Duration, fieldFrom, from, fieldTo, to string) {
		a, errA := time.Parse(time.RFC3339, from)
		b, errB := time.Parse(time.RFC3339, to)
		if errA == nil && errB == nil {
			list = append(list, Computed{id, title, float64(b.Sub(a)) / float64(length), unit, []string{"times." + fieldFrom, "times." + fieldTo}})
		}
	}
	add(WarmIschaemia, "Warm ischaemia, clamp to cold flush", "s", time.Second, "artery_clamped", t.ArteryClamped, "flush", t.Flush)
	if len(list) == 0 && r.WarmIschaemiaSeconds != nil {
		list = append(list, Computed{WarmIschaemia, "Warm ischaemia, as typed", float64(*r.WarmIschaemiaSeconds), "s", []string{"warm_ischaemia_seconds"}})
	}
	add("operative-time", "Operative time, incision to closure", "min", time.Minute, "incision", t.Incision, "closure", t.Closure)
	add("theatre-time", "Time in theatre", "min", time.Minute, "in_theatre", t.InTheatre, "out_of_theatre", t.OutOfTheatre)
	return list
}

// Missing names the fields that a complete record would have.
func Missing(r command.RecordOperation) []string {
	var list []string
	need := func(given bool, field string) {
		if !given {
			list = append(list, field)
		}
	}
	var t command.OperationTimes
	if r.Times != nil {
		t = *r.Times
	}
	need(r.Side != "", "side")
	need(r.PlannedApproach != "", "planned_approach")
	need(t.InTheatre != "", "times.in_theatre")
	need(t.OutOfTheatre != "", "times.out_of_theatre")
	if r.Outcome == journey.StoppedNotRemoved {
		var s command.Stop
		if r.Stop != nil {
			s = *r.Stop
		}
		need(s.Anaesthesia != nil, "stop.anaesthesia")
		need(s.At != "", "stop.at")
		need(s.Reason != "", "stop.reason")
		if t.Incision != "" {
			need(r.CountsCorrect != nil, "counts_correct")
		}
		return list
	}
	need(r.Approach != "", "approach")
	need(r.ExtractionSite != "", "extraction_site")
	need(t.Anaesthesia != "", "times.anaesthesia")
	need(t.Incision != "", "times.incision")
	if r.WarmIschaemiaSeconds == nil {
		need(t.ArteryClamped != "", "times.artery_clamped")
		need(t.Flush != "", "times.flush")
	}
	need(t.KidneyOut != "", "times.kidney_out")
	need(t.Closure != "", "times.closure")
	need(t.HandOver != "", "times.hand_over")
	var found command.Anatomy
	if r.Found != nil {
		found = *r.Found
	}
	need(found.Arteries != nil, "found.arteries")
	need(found.Veins != nil, "found.veins")
	need(found.Ureters != nil, "found.ureters")
	need(found.EarlyBranching != nil, "found.early_branching")
	need(len(r.ArteryControl) > 0, "artery_control")
	need(len(r.VeinControl) > 0, "vein_control")
	need(r.BloodLossML != nil, "blood_loss_ml")
	need(r.TransfusionUnits != nil, "transfusion_units")
	var kidney command.KidneyState
	if r.Kidney != nil {
		kidney = *r.Kidney
	}
	need(kidney.Condition != "", "kidney.condition")
	need(kidney.Fate != "" && kidney.Fate != journey.FateUnknown, "kidney.fate")
	need(r.CountsCorrect != nil, "counts_correct")
	need(r.SpecimenSent != nil, "specimen_sent")
	return list
}

// Verdict says how what was found compares with what was imaged.
type Verdict string

// The verdicts.
const (
	Agrees        Verdict = "agrees"
	Differs       Verdict = "differs"
	NotImaged     Verdict = "not-imaged"
	NotRecorded   Verdict = "not-recorded"
	CannotCompare Verdict = "cannot-compare"
)

// Compared is one line of the comparison of the operated side with imaging.
type Compared struct {
	ID      string  `json:"id"`
	Title   string  `json:"title"`
	Verdict Verdict `json:"verdict"`
	// Imaged and Found are what each says, empty where it says nothing.
	Imaged string `json:"imaged,omitempty"`
	Found  string `json:"found,omitempty"`
	// Result is the id of the result of imaging, On the day it was collected.
	Result string       `json:"result,omitempty"`
	On     journey.Date `json:"on,omitempty"`
}

// Compare holds what was found on the operated side against the newest final
// imaging of that side from no later than the day of the operation. Without a
// side there is nothing to compare.
func Compare(r command.RecordOperation, results []result.Result, operated journey.Date) []Compared {
	if r.Side != journey.Left && r.Side != journey.Right {
		return nil
	}
	var found command.Anatomy
	if r.Found != nil {
		found = *r.Found
	}
	var list []Compared
	for _, line := range []struct {
		id, title string
		// code is the observation of imaging, without its side.
		code  string
		found string
		read  func(result.Result) (string, bool)
	}{
		{"arteries", "Arteries", "arteries", counted(found.Arteries), count},
		{"veins", "Veins", "veins", counted(found.Veins), count},
		{"ureters", "Ureters", "ureters", counted(found.Ureters), count},
		{"early-branching", "Artery divides close to the aorta", "artery-early-branching", answered(found.EarlyBranching), answer},
	} {
		each := Compared{ID: line.id, Title: line.title, Found: line.found}
		imaged, ok := protocol.Newest(results, line.code+"-"+string(r.Side), operated)
		readable := false
		if ok {
			each.Result, each.On = imaged.ID, journey.Date(imaged.CollectedOn)
			each.Imaged, readable = line.read(imaged)
		}
		switch {
		case !ok:
			each.Verdict = NotImaged
		case line.found == "":
			each.Verdict = NotRecorded
		case !readable:
			each.Verdict = CannotCompare
		case each.Imaged == each.Found:
			each.Verdict = Agrees
		default:
			each.Verdict = Differs
		}
		list = append(list, each)
	}
	return list
}

func counted(n *int) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(*n)
}

func answered(is *bool) string {
	switch {
	case is == nil:
		return ""
	case *is:
		return string(clinical.Yes)
	default:
		return string(clinical.No)
	}
}

// count reads a whole number. A limit such as ">2", a fraction or another unit
// counts nothing; it is shown as it was reported.
func count(r result.Result) (string, bool) {
	q := r.Value.Quantity
	if q == nil {
		return r.Value.Text, false
	}
	n, err := q.Float()
	if err != nil || q.Comparator != "" || q.Unit != "1" || n != float64(int(n)) {
		return q.Comparator + q.Value.String(), false
	}
	return strconv.Itoa(int(n)), true
}

func answer(r result.Result) (string, bool) {
	a := protocol.AnswerOf(r)
	if a == clinical.NotRecorded && r.Value.Coding != nil {
		return r.Value.Coding.Display, false
	}
	return string(a), a != clinical.NotRecorded
}

// Alert is something about an operation that somebody has to look at now.
type Alert struct {
	ID     string `json:"id"`
	Text   string `json:"text"`
	Source string `json:"source"`
}

// Alerts lists what of a record is unsafe or has to be reported. Decided is the
// side that the committee decided, if any.
func Alerts(r command.RecordOperation, decided journey.Side) []Alert {
	var list []Alert
	add := func(is bool, id, text, source string) {
		if is {
			list = append(list, Alert{id, text, source})
		}
	}
	var kidney command.KidneyState
	if r.Kidney != nil {
		kidney = *r.Kidney
	}
	add(slices.Contains(r.ArteryControl, command.PolymerClip), "polymer-clip-on-artery",
		"A polymer locking clip is on the donor's renal artery. Such clips are contraindicated there: they have come off and donors have died of bleeding. Watch for bleeding, and tell the surgeon in charge.",
		"FDA and HRSA joint communication, May 2011; deaths from bleeding, Am J Transplant 2012")
	add(r.Side != "" && decided != "" && r.Side != decided, "side-differs",
		"The operated side is not the side that the committee decided. It needs a named resolution.", "common practice: one side in every place from the assessment to the record")
	add(r.CountsCorrect != nil && !*r.CountsCorrect, "counts-not-correct",
		"The counts were not correct. Something may have been left inside.", "WHO surgical safety checklist 2009, from memory")
	add(kidney.Condition == command.KidneyDiscarded || kidney.Fate == journey.FateNotImplanted, "kidney-not-implanted",
		"The kidney was removed and not implanted. This is a reportable event, and the donor has full follow-up.", "OPTN policy 18, from memory: within 72 hours")
	add(kidney.Fate == journey.FateImplantedOther, "kidney-implanted-other",
		"The kidney was not implanted as intended. This is a reportable event.", "OPTN policy 18, from memory: within 72 hours")
	add(r.Outcome == journey.StoppedNotRemoved && (r.Stop == nil || r.Stop.Anaesthesia == nil || *r.Stop.Anaesthesia), "stopped-after-anaesthesia",
		"The operation was stopped after anaesthesia had begun, or nobody has said that it had not. This is a reportable event.", "OPTN policy 18, from memory: within 72 hours")
	return list
}
