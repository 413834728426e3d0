package command

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"candidacy/internal/journey"
)

// RecordOperation is the body of record-operation. Only the outcome, with the
// side of a kidney that was removed, is needed: what is left empty is shown as
// missing and can be amended. Entries from before the whole record existed hold
// the outcome, the side, the approach and the note.
type RecordOperation struct {
	Outcome journey.Outcome `json:"outcome"`
	Side    journey.Side    `json:"side,omitempty"`
	// Approach is what was done, PlannedApproach what was meant to be done.
	Approach        string          `json:"approach,omitempty"`
	PlannedApproach string          `json:"planned_approach,omitempty"`
	Conversion      *Conversion     `json:"conversion,omitempty"`
	ExtractionSite  string          `json:"extraction_site,omitempty"`
	Times           *OperationTimes `json:"times,omitempty"`
	Found           *Anatomy        `json:"found,omitempty"`
	// ArteryControl and VeinControl are how the vessels were closed on the
	// donor's side; several methods may have been used on one.
	ArteryControl []string `json:"artery_control,omitempty"`
	VeinControl   []string `json:"vein_control,omitempty"`
	// WarmIschaemiaSeconds is typed only where its two instants are not known.
	WarmIschaemiaSeconds *int         `json:"warm_ischaemia_seconds,omitempty"`
	BloodLossML          *int         `json:"blood_loss_ml,omitempty"`
	TransfusionUnits     *int         `json:"transfusion_units,omitempty"`
	HeparinIU            *int         `json:"heparin_iu,omitempty"`
	MannitolG            *float64     `json:"mannitol_g,omitempty"`
	FluidsML             *int         `json:"fluids_ml,omitempty"`
	UrineML              *int         `json:"urine_ml,omitempty"`
	Kidney               *KidneyState `json:"kidney,omitempty"`
	CountsCorrect        *bool        `json:"counts_correct,omitempty"`
	SpecimenSent         *bool        `json:"specimen_sent,omitempty"`
	Stop                 *Stop        `json:"stop,omitempty"`
	Note                 string       `json:"note,omitempty"`
}

// Conversion says why the approach is not the planned one.
type Conversion struct {
	Reason string `json:"reason"`
	Note   string `json:"note,omitempty"`
}

// OperationTimes are instants, RFC 3339 with a zone.
type OperationTimes struct {
	InTheatre     string `json:"in_theatre,omitempty"`
	Anaesthesia   string `json:"anaesthesia,omitempty"`
	Incision      string `json:"incision,omitempty"`
	ArteryClamped string `json:"artery_clamped,omitempty"`
	KidneyOut     string `json:"kidney_out,omitempty"`
	Flush         string `json:"flush,omitempty"`
	Closure       string `json:"closure,omitempty"`
	OutOfTheatre  string `json:"out_of_theatre,omitempty"`
	HandOver      string `json:"hand_over,omitempty"`
}

// Anatomy is what was found on the operated side.
type Anatomy struct {
	Arteries *int `json:"arteries,omitempty"`
	Veins    *int `json:"veins,omitempty"`
	Ureters  *int `json:"ureters,omitempty"`
	// EarlyBranching says that an artery divides close to the aorta.
	EarlyBranching *bool `json:"early_branching,omitempty"`
}

// KidneyState is how the kidney was when it was out, and what became of it.
type KidneyState struct {
	Condition string       `json:"condition,omitempty"`
	Fate      journey.Fate `json:"fate,omitempty"`
	Flush     string       `json:"flush,omitempty"`
	Bench     []string     `json:"bench,omitempty"`
}

// Stop says when and why an operation was stopped without removing a kidney.
type Stop struct {
	// Anaesthesia says whether it had been given; that makes the stop a
	// reportable event.
	Anaesthesia *bool  `json:"anaesthesia,omitempty"`
	At          string `json:"at,omitempty"`
	Reason      string `json:"reason,omitempty"`
	Note        string `json:"note,omitempty"`
}

// PlanChanged is the reason of an approach that was changed before the incision,
// which is no conversion.
const PlanChanged = "plan-changed"

// PolymerClip is a locking clip of polymer on a vessel.
const PolymerClip = "polymer-clip"

// Conditions of a kidney that was removed.
const (
	KidneyGood      = "good"
	KidneyRepaired  = "injured-repaired"
	KidneyDiscarded = "injured-discarded"
)

// The choices of an operation record; common practice.
var (
	ConversionReasons = []string{"bleeding", "organ-injury", "adhesions", "anatomy", "no-progress", "not-tolerated", "equipment", PlanChanged, "other"}
	ExtractionSites   = []string{"pfannenstiel", "lower-midline", "upper-midline", "umbilical", "iliac-fossa", "flank", "vaginal", "other"}
	VesselControls    = []string{"stapler", "suture", "metal-clip", PolymerClip, "other"}
	KidneyConditions  = []string{KidneyGood, KidneyRepaired, KidneyDiscarded}
	FlushQualities    = []string{"clear", "patchy", "poor"}
	BenchFindings     = []string{"none", "extra-artery", "artery-injury", "vein-injury", "ureter-injury", "capsule-tear", "cyst", "atheroma", "other"}
	Approaches        = journey.Words(journey.Approaches)
	StopReasons       = []string{"anaesthesia", "donor-unstable", "bleeding", "organ-injury", "anatomy", "finding", "equipment", "recipient", "other"}
)

// instantField is one instant of a record.
type instantField struct{ name, text string }

// instants lists every instant that a record may hold, whether or not it does.
func (b *RecordOperation) instants() []instantField {
	var t OperationTimes
	if b.Times != nil {
		t = *b.Times
	}
	list := []instantField{
		{inTheatre, t.InTheatre}, {anaesthesia, t.Anaesthesia}, {incision, t.Incision}, {clamped, t.ArteryClamped},
		{kidneyOut, t.KidneyOut}, {flush, t.Flush}, {closure, t.Closure}, {outOfTheatre, t.OutOfTheatre}, {handOver, t.HandOver},
	}
	if b.Stop != nil {
		list = append(list, instantField{stopped, b.Stop.At})
	}
	return list
}

const (
	inTheatre    = "times.in_theatre"
	anaesthesia  = "times.anaesthesia"
	incision     = "times.incision"
	clamped      = "times.artery_clamped"
	kidneyOut    = "times.kidney_out"
	flush        = "times.flush"
	closure      = "times.closure"
	outOfTheatre = "times.out_of_theatre"
	handOver     = "times.hand_over"
	stopped      = "stop.at"
)

// orders are the orders in which instants follow each other. Anaesthesia may
// begin before or in theatre, and the wound is closed while the kidney is flushed.
var orders = [][]string{
	{inTheatre, incision, clamped, kidneyOut, flush, handOver},
	{anaesthesia, incision, clamped, kidneyOut, flush, handOver},
	{inTheatre, incision, clamped, kidneyOut, closure, outOfTheatre},
	{anaesthesia, incision, clamped, kidneyOut, closure, outOfTheatre},
	{inTheatre, incision, stopped, closure, outOfTheatre},
	{anaesthesia, incision, stopped, closure, outOfTheatre},
}

// longest is how long after one instant the next may come: several times what is
// usual, so that it catches slips of the pen and judges nobody. Common practice;
// for comparison, a mean of about 4 min of warm ischaemia in one series of 330,
// and 2 to 3 h of operating inside about 4 h of theatre time.
func longest(from, to string) time.Duration {
	switch {
	case to == handOver: // a kidney may travel first
		return 72 * time.Hour
	case to == flush && (from == clamped || from == kidneyOut):
		return 2 * time.Hour
	case from == clamped && to == kidneyOut:
		return time.Hour
	case to == incision:
		return 8 * time.Hour
	default:
		return 24 * time.Hour
	}
}

// Check implements Body.
func (b *RecordOperation) Check(f *Faults) { b.check(f, "") }

// check reports the faults of a record that is found under a prefix.
func (b *RecordOperation) check(f *Faults, prefix string) {
	at := func(field string) string { return prefix + field }
	removed := b.Outcome == journey.Removed
	f.oneOf(at("outcome"), string(b.Outcome), true, string(journey.Removed), string(journey.StoppedNotRemoved))
	f.side(at("side"), b.Side, removed)
	f.oneOf(at("approach"), b.Approach, false, Approaches...)
	f.oneOf(at("planned_approach"), b.PlannedApproach, false, Approaches...)
	b.checkConversion(f, at)
	f.oneOf(at("extraction_site"), b.ExtractionSite, false, ExtractionSites...)
	f.severalOf(at("artery_control"), b.ArteryControl, VesselControls)
	f.severalOf(at("vein_control"), b.VeinControl, VesselControls)
	if b.Found != nil {
		// The bounds of the observations that imaging reports.
		f.within(at("found.arteries"), b.Found.Arteries, 0, 10, "")
		f.within(at("found.veins"), b.Found.Veins, 0, 10, "")
		f.within(at("found.ureters"), b.Found.Ureters, 0, 10, "")
	}
	// What is beyond these is a slip of the pen or of the unit; common practice.
	f.within(at("warm_ischaemia_seconds"), b.WarmIschaemiaSeconds, 0, 2*60*60, "s")
	f.within(at("blood_loss_ml"), b.BloodLossML, 0, 20_000, "mL")
	f.within(at("transfusion_units"), b.TransfusionUnits, 0, 100, "units")
	f.within(at("heparin_iu"), b.HeparinIU, 0, 50_000, "IU")
	f.within(at("fluids_ml"), b.FluidsML, 0, 30_000, "mL")
	f.within(at("urine_ml"), b.UrineML, 0, 10_000, "mL")
	if m := b.MannitolG; m != nil && !(*m >= 0 && *m <= 200) {
		f.Add(at("mannitol_g"), "not plausible", "0 to 200 g")
	}
	b.checkKidney(f, at, removed)
	b.checkStop(f, at, removed)
	b.checkTimes(f, at)
	f.text(at("note"), b.Note, false)
}

func (b *RecordOperation) checkConversion(f *Faults, at func(string) string) {
	differs := b.Approach != "" && b.PlannedApproach != "" && b.Approach != b.PlannedApproach
	switch c := b.Conversion; {
	case c == nil && differs:
		f.Add(at("conversion.reason"), "missing: approach differs from planned_approach", ConversionReasons...)
	case c == nil:
	default:
		f.oneOf(at("conversion.reason"), c.Reason, true, ConversionReasons...)
		f.text(at("conversion.note"), c.Note, false)
		if !differs {
			f.Add(at("conversion.reason"), "given, though approach and planned_approach do not both stand and differ", "an approach that differs from the planned one")
		}
	}
}

func (b *RecordOperation) checkKidney(f *Faults, at func(string) string, removed bool) {
	k := b.Kidney
	if k == nil {
		return
	}
	f.oneOf(at("kidney.condition"), k.Condition, false, KidneyConditions...)
	f.oneOf(at("kidney.flush"), k.Flush, false, FlushQualities...)
	f.severalOf(at("kidney.bench"), k.Bench, BenchFindings)
	if len(k.Bench) > 1 && slices.Contains(k.Bench, "none") {
		f.Add(at("kidney.bench"), `"none" stands alone`)
	}
	f.oneOf(at("kidney.fate"), string(k.Fate), false, journey.Words(journey.Fates)...)
	implanted := k.Fate == journey.FateImplanted || k.Fate == journey.FateImplantedOther
	switch {
	case !removed:
		f.Add(at("kidney"), "given, though outcome says that no kidney was removed")
	case k.Condition == KidneyDiscarded && implanted:
		f.Add(at("kidney.fate"), "implanted, though kidney.condition says that it was discarded", string(journey.FateNotImplanted), string(journey.FateUnknown))
	}
}

func (b *RecordOperation) checkStop(f *Faults, at func(string) string, removed bool) {
	if s := b.Stop; s != nil {
		f.oneOf(at("stop.reason"), s.Reason, false, StopReasons...)
		f.text(at("stop.note"), s.Note, false)
		if removed {
			f.Add(at("stop"), "given, though outcome says that the kidney was removed")
		}
		if s.Anaesthesia != nil && !*s.Anaesthesia && b.Times != nil && b.Times.Anaesthesia != "" {
			f.Add(at("stop.anaesthesia"), "not given, though times.anaesthesia says when it began")
		}
	}
	if b.Outcome != journey.StoppedNotRemoved {
		return
	}
	for _, i := range b.instants() {
		if i.text != "" && (i.name == kidneyOut || i.name == flush || i.name == handOver) {
			f.Add(at(i.name), "given, though outcome says that no kidney was removed")
		}
	}
}

// checkTimes checks the form of each instant, then each against those it follows.
func (b *RecordOperation) checkTimes(f *Faults, at func(string) string) {
	known := map[string]time.Time{}
	for _, i := range b.instants() {
		if i.text == "" {
			continue
		}
		t, err := time.Parse(time.RFC3339, i.text)
		// The time package would take a comma for a decimal point.
		if err != nil || strings.Contains(i.text, ",") {
			f.Add(at(i.name), "not an instant", "a date and time with seconds and a zone, such as 2031-03-14T08:15:00+01:00")
			continue
		}
		known[i.name] = t
	}
	faulty := map[string]bool{} // each instant is named once, by the first rule that it breaks
	for _, order := range orders {
		before := ""
		for _, name := range order {
			to, ok := known[name]
			if !ok {
				continue
			}
			if before != "" && !faulty[name] {
				gap, most := to.Sub(known[before]), longest(before, name)
				switch {
				case gap < 0:
					f.Add(at(name), "before "+at(before))
				case gap > most:
					f.Add(at(name), fmt.Sprintf("more than %s after %s", hours(most), at(before)), "at most "+hours(most))
				}
				faulty[name] = gap < 0 || gap > most
			}
			if !faulty[name] { // the next is held against the last that can be right
				before = name
			}
		}
	}
	_, c := known[clamped]
	_, fl := known[flush]
	if b.WarmIschaemiaSeconds != nil && c && fl {
		f.Add(at("warm_ischaemia_seconds"), "it follows from times.artery_clamped and times.flush: leave it out")
	}
}

func hours(d time.Duration) string {
	if d == time.Hour {
		return "1 hour"
	}
	return fmt.Sprintf("%d hours", int(d.Hours()))
}

// Late adds a fault for each instant on a day that the operation can't have been
// on: a kidney may be handed over days later, and the clock may have passed
// midnight before anybody began.
func (b *RecordOperation) Late(f *Faults, prefix string, operated, today journey.Date, zone *time.Location) {
	const before, after = 1, 4
	for _, i := range b.instants() {
		t, err := time.Parse(time.RFC3339, i.text)
		if i.text == "" || err != nil {
			continue
		}
		switch day := journey.DateOf(t, zone); {
		case today.Before(day):
			f.Add(prefix+i.name, "in the future")
		case day.Before(operated.AddDays(-before)) || operated.AddDays(after).Before(day):
			f.Add(prefix+i.name, "not about the day of the operation", string(operated))
		}
	}
}

// Code implements Body.
func (b *RecordOperation) Code(c *journey.Command) {
	c.Outcome, c.Side = coded(b.Outcome), coded(b.Side)
	if b.Kidney != nil && slices.Contains(journey.Fates, b.Kidney.Fate) {
		c.Fate = b.Kidney.Fate
	}
}

// AmendOperation is the body of amend-operation: the whole record as it is to
// stand from now on. What it replaces stays on record as it was.
type AmendOperation struct {
	Record RecordOperation `json:"record"`
	// Replaces is the number of the entry that the author looked at. If another
	// amendment came between, this one is refused instead of undoing it.
	Replaces int64  `json:"replaces"`
	Reason   string `json:"reason"`
}

// Check implements Body.
func (b *AmendOperation) Check(f *Faults) {
	b.Record.check(f, "record.")
	if b.Replaces < 1 {
		f.Add("replaces", "missing: the number of the entry that this one stands in place of")
	}
	f.text("reason", b.Reason, true)
}

// Code implements Body.
func (b *AmendOperation) Code(c *journey.Command) {
	b.Record.Code(c)
	c.Reasoned = given(b.Reason)
}

// RecordComplication is the body of record-complication. The grade is computed
// from Treatment and can't be given.
type RecordComplication struct {
	// Complication is an id from the protocol's list, or OtherComplication.
	Complication string       `json:"complication"`
	Date         journey.Date `json:"on"`
	Treatment    Treatment    `json:"treatment"`
	// ReadmittedOn and ReoperatedOn are days on which the complication brought
	// the donor back to hospital, and to theatre.
	ReadmittedOn journey.Date `json:"readmitted_on,omitempty"`
	ReoperatedOn journey.Date `json:"reoperated_on,omitempty"`
	// Replaces is the number of the entry of the same complication that this one
	// stands in place of; EnteredInError says that there was none.
	Replaces       int64  `json:"replaces,omitempty"`
	EnteredInError bool   `json:"entered_in_error,omitempty"`
	Note           string `json:"note,omitempty"`
}

// OtherComplication is a complication that a protocol's list does not have.
const OtherComplication = "other"

// Treatment is what grades a complication. What is left empty is not known, and
// the grade then says so.
type Treatment struct {
	OtherDrugs            string `json:"other_drugs,omitempty"`
	Transfusion           string `json:"transfusion,omitempty"`
	ParenteralNutrition   string `json:"parenteral_nutrition,omitempty"`
	Intervention          string `json:"intervention,omitempty"`
	IntensiveCare         string `json:"intensive_care,omitempty"`
	OrganFailure          string `json:"organ_failure,omitempty"`
	Dialysis              string `json:"dialysis,omitempty"`
	Death                 string `json:"death,omitempty"`
	DisabilityAtDischarge string `json:"disability_at_discharge,omitempty"`
}

// The answers of a treatment. Package perioperative has the same.
var (
	YesNo         = []string{"yes", "no"}
	Interventions = []string{"none", "without-general-anaesthesia", "with-general-anaesthesia"}
	OrganFailures = []string{"none", "single", "multiple"}
)

// Check implements Body.
func (b *RecordComplication) Check(f *Faults) {
	f.id("complication", b.Complication)
	f.date("on", b.Date, true)
	t := b.Treatment
	for _, each := range []struct{ name, answer string }{
		{"other_drugs", t.OtherDrugs}, {"transfusion", t.Transfusion}, {"parenteral_nutrition", t.ParenteralNutrition},
		{"intensive_care", t.IntensiveCare}, {"dialysis", t.Dialysis}, {"death", t.Death},
		{"disability_at_discharge", t.DisabilityAtDischarge},
	} {
		f.oneOf("treatment."+each.name, each.answer, false, YesNo...)
	}
	f.oneOf("treatment.intervention", t.Intervention, false, Interventions...)
	f.oneOf("treatment.organ_failure", t.OrganFailure, false, OrganFailures...)
	for _, each := range []struct {
		name string
		on   journey.Date
	}{{"readmitted_on", b.ReadmittedOn}, {"reoperated_on", b.ReoperatedOn}} {
		f.date(each.name, each.on, false)
		if each.on != "" && each.on.Before(b.Date) {
			f.Add(each.name, "before on, the day of the complication")
		}
	}
	if b.ReoperatedOn != "" && t.Intervention == "none" {
		f.Add("reoperated_on", "given, though treatment.intervention is none")
	}
	switch {
	case b.Replaces < 0:
		f.Add("replaces", "not the number of an entry")
	case b.EnteredInError && b.Replaces == 0:
		f.Add("replaces", "missing: name the entry that was made in error")
	}
	f.text("note", b.Note, b.EnteredInError || b.Complication == OtherComplication)
}

// Late adds a fault for each day that is still to come.
func (b *RecordComplication) Late(f *Faults, today journey.Date) {
	for _, each := range []struct {
		name string
		on   journey.Date
	}{{"on", b.Date}, {"readmitted_on", b.ReadmittedOn}, {"reoperated_on", b.ReoperatedOn}} {
		if today.Before(each.on) {
			f.Add(each.name, "in the future")
		}
	}
}

// Code implements Body.
func (b *RecordComplication) Code(c *journey.Command) { c.On = codedDate(b.Date) }

// severalOf checks a list of choices, each given once.
func (f *Faults) severalOf(field string, values, accepted []string) {
	for i, v := range values {
		name := fmt.Sprintf("%s[%d]", field, i)
		if slices.Contains(values[:i], v) {
			f.Add(name, "given twice")
			continue
		}
		f.oneOf(name, v, true, accepted...)
	}
}

// within checks a whole number, if it is given.
func (f *Faults) within(field string, value *int, low, high int, unit string) {
	if value != nil && (*value < low || *value > high) {
		f.Add(field, "not plausible", strings.TrimSpace(fmt.Sprintf("%d to %d %s", low, high, unit)))
	}
}
