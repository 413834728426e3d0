package web

import (
	"cmp"
	"encoding/json"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"candidacy/internal/clinical/perioperative"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/operation"
	"candidacy/internal/result"
)

// The forms about an operation name their fields as the body names its members,
// with points between: a body is filled from a form, and a form from a record, by
// these names alone.

// codeWords are the words for codes that don't read well as they are.
var codeWords = map[string]string{
	command.PlanChanged: "Plan changed before the incision, no conversion", "no-progress": "No progress", "not-tolerated": "Not tolerated by the donor",
	"organ-injury": "Injury of another organ", "umbilical": "At the navel", "pfannenstiel": "Pfannenstiel", "iliac-fossa": "Iliac fossa",
	command.PolymerClip: "Polymer locking clip", command.KidneyRepaired: "Injured and repaired", command.KidneyDiscarded: "Injured and discarded",
	string(journey.FateImplanted):      "Implanted in the intended recipient",
	string(journey.FateImplantedOther): "Implanted in another recipient", string(journey.FateNotImplanted): "Not implanted",
	string(journey.FateUnknown): "Not yet known", "donor-unstable": "The donor was unstable", "finding": "A finding, such as a tumour",
	"anaesthesia": "The anaesthesia", "recipient": "On the recipient's side", "capsule-tear": "Tear of the capsule", "artery-injury": "Injury of an artery",
	"vein-injury": "Injury of a vein", "ureter-injury": "Injury of a ureter", "left": "Left kidney", "right": "Right kidney",
	string(journey.Removed): "The kidney was removed", string(journey.StoppedNotRemoved): "Stopped, no kidney removed",
	"none": "None", "without-general-anaesthesia": "Without general anaesthesia", "with-general-anaesthesia": "In general anaesthesia",
	"single": "One organ, life-threatening", "multiple": "Several organs, life-threatening",
}

func codeWord(code string) string {
	if word, ok := codeWords[code]; ok {
		return word
	}
	return capital(strings.ReplaceAll(code, "-", " "))
}

func codeOptions(first string, codes []string) []option {
	var list []option
	if first != "" {
		list = append(list, option{"", first})
	}
	for _, code := range codes {
		list = append(list, option{code, codeWord(code)})
	}
	return list
}

const notStated = "Not stated"

func part(name, label string) field { return field{Name: "part-" + name, Label: label, Type: "part"} }

func choice(name, label, hint string, codes []string) field {
	return field{Name: name, Label: label, Hint: hint, Type: "select", Options: codeOptions(notStated, codes)}
}

func several(name, label string, codes []string) field {
	return field{Name: name, Label: label, Type: "checkboxes", Options: codeOptions("", codes)}
}

func yesNo(name, label, hint string) field {
	return field{Name: name, Label: label, Hint: hint, Type: "yesno", Options: []option{{"", notStated}, {"yes", "Yes"}, {"no", "No"}}}
}

func timed(name, label string) field { return field{Name: name, Label: label, Type: "instant"} }

func whole(name, label string) field { return field{Name: name, Label: label, Type: "whole"} }

func optionally(f field) field {
	f.Optional = true
	return f
}

func words(name, label string) field {
	return field{Name: name, Label: label, Hint: "Read by the care team.", Type: "textarea", Optional: true}
}

// recordFields are the questions of an operation record, in the order of the day.
func recordFields() []field {
	fates := make([]string, len(journey.Fates))
	for i, fate := range journey.Fates {
		fates[i] = string(fate)
	}
	return []field{
		{Name: "outcome", Label: "How it ended", Type: "radio", Options: codeOptions("", []string{string(journey.Removed), string(journey.StoppedNotRemoved)})},
		{Name: "side", Label: "Operated side", Hint: "Needed when a kidney was removed.", Type: "radio", Options: codeOptions("", []string{string(journey.Left), string(journey.Right)})},
		part("approach", "Approach"),
		choice("planned_approach", "Planned approach", "", command.Approaches),
		choice("approach", "Approach", "As it was done in the end.", command.Approaches),
		choice("conversion.reason", "Why it differs from the planned one", "Only if it does.", command.ConversionReasons),
		words("conversion.note", "About the conversion"),
		choice("extraction_site", "Where the kidney was taken out", "", command.ExtractionSites),
		part("times", "Times"),
		timed("times.in_theatre", "In theatre"), timed("times.anaesthesia", "Anaesthesia began"), timed("times.incision", "Incision"),
		timed("times.artery_clamped", "Artery clamped"), timed("times.kidney_out", "Kidney out"), timed("times.flush", "Cold flush began"),
		timed("times.closure", "Closure"), timed("times.out_of_theatre", "Out of theatre"), timed("times.hand_over", "Kidney handed over"),
		optionally(field{Name: "warm_ischaemia_seconds", Label: "Warm ischaemia in seconds", Type: "whole",
			Hint: "Only if the clamp or the flush has no time. Otherwise it is computed."}),
		part("found", "Found on the operated side"),
		whole("found.arteries", "Arteries"), whole("found.veins", "Veins"), whole("found.ureters", "Ureters"),
		yesNo("found.early_branching", "An artery divides close to the aorta", ""),
		part("vessels", "Vessels on the donor's side"),
		several("artery_control", "How the artery was closed", command.VesselControls),
		several("vein_control", "How the vein was closed", command.VesselControls),
		part("fluids", "Blood and fluids"),
		whole("blood_loss_ml", "Blood loss in mL"), whole("transfusion_units", "Transfusion in units"),
		optionally(whole("heparin_iu", "Heparin in IU")), optionally(field{Name: "mannitol_g", Label: "Mannitol in g", Type: "decimal"}),
		optionally(whole("fluids_ml", "Fluids in mL")), optionally(whole("urine_ml", "Urine in mL")),
		part("kidney", "The kidney"),
		choice("kidney.condition", "Condition of the kidney", "", command.KidneyConditions),
		optionally(choice("kidney.flush", "Flush", "", command.FlushQualities)),
		optionally(several("kidney.bench", "Findings on the bench", command.BenchFindings)),
		choice("kidney.fate", "What became of the kidney", "", fates),
		part("end", "At the end"),
		yesNo("counts_correct", "Counts correct", ""), yesNo("specimen_sent", "Specimen sent", ""),
		part("stop", "If it was stopped without removing a kidney"),
		yesNo("stop.anaesthesia", "Anaesthesia had been given", "A stop after it is a reportable event."),
		timed("stop.at", "Stopped at"), choice("stop.reason", "Why it was stopped", "", command.StopReasons), words("stop.note", "About the stop"),
		part("words", "In words"), words("note", "Note"),
	}
}

const recordHint = "Only how it ended, and the side, must be given now. What else is left empty is shown as missing, and can be added in an amendment. Times are in the programme's time zone; a slip in their order is refused."

// operationFields know the approach that the theatre was booked for, and nothing
// else: what happened is for the surgeon to say.
func operationFields(s scene) []field {
	fields := recordFields()
	for i := range fields {
		if fields[i].Name == "planned_approach" {
			fields[i].Value = string(s.candidate.State.Approach)
		}
	}
	return fields
}

// amendFields hold the record as it stands: what is sent is the whole of it.
func amendFields(s scene) []field {
	fields := recordFields()
	if s.course.Record != nil {
		prefill(fields, s.course.Record, s.protocol.Zone())
	}
	return append(fields, reasonField("Reason of the amendment", "Kept with your name. What was recorded before stays on record."),
		field{Name: "replaces", Type: "hidden", Value: strconv.FormatInt(s.course.Seq, 10)})
}

func operationBody(s scene, v url.Values, _ string) (command.Body, []problem) {
	body := &command.RecordOperation{}
	return body, fillBody(recordFields(), v, s.protocol.Zone(), body)
}

func amendBody(s scene, v url.Values, _ string) (command.Body, []problem) {
	body := &command.AmendOperation{Reason: v.Get("reason")}
	body.Replaces, _ = strconv.ParseInt(v.Get("replaces"), 10, 64)
	return body, fillBody(recordFields(), v, s.protocol.Zone(), &body.Record)
}

// operationField is the field that a fault of a body about an operation is shown
// at.
func operationField(name string) string {
	name, _, _ = strings.Cut(strings.TrimPrefix(name, "record."), "[")
	switch name {
	case "kidney":
		return "kidney.condition"
	case "stop":
		return "stop.reason"
	default:
		return name
	}
}

// inLabels names fields in a problem by their labels: people see no paths.
func inLabels(problems []problem) []problem {
	var pairs []string
	for _, f := range append(recordFields(), treatmentFields()...) {
		if strings.ContainsAny(f.Name, "._") {
			pairs = append(pairs, "record."+f.Name, lower(f.Label), f.Name, lower(f.Label))
		}
	}
	named := strings.NewReplacer(pairs...)
	for i := range problems {
		problems[i].Text = capital(named.Replace(problems[i].Text))
	}
	return problems
}

func treatmentFields() []field {
	answers := func(name, label, hint string) field { return yesNo("treatment."+name, label, hint) }
	return []field{
		part("treatment", "How it was treated; the grade follows from it"),
		answers("other_drugs", "Drugs other than against nausea, fever and pain, diuretics and electrolytes", ""),
		answers("transfusion", "Blood transfusion", ""), answers("parenteral_nutrition", "Parenteral nutrition", ""),
		choice("treatment.intervention", "Surgery, endoscopy or radiology", "Opening a wound at the bedside is none.", command.Interventions),
		choice("treatment.organ_failure", "Organ failure", "", command.OrganFailures),
		answers("intensive_care", "Intermediate or intensive care", ""), answers("dialysis", "Dialysis", ""), answers("death", "The donor died of it", ""),
		answers("disability_at_discharge", "It still disabled at discharge", ""),
	}
}

func complicationFields(s scene) []field {
	what := field{Name: "complication", Label: "Complication", Type: "select", Options: []option{{"", "Choose"}}}
	other := false
	for _, c := range s.protocol.Complications {
		what.Options = append(what.Options, option{c.ID, c.Title})
		other = other || c.ID == command.OtherComplication
	}
	if !other {
		what.Options = append(what.Options, option{command.OtherComplication, s.protocol.ComplicationTitle(command.OtherComplication)})
	}
	var fields []field
	if standing := s.course.Standing(); len(standing) > 0 {
		replaces := field{Name: "replaces", Label: "New, or a correction", Type: "select", Options: []option{{"", "A new complication"}},
			Hint: "In a correction, what you leave empty stays as it was."}
		for _, c := range standing {
			replaces.Options = append(replaces.Options, option{
				strconv.FormatInt(c.Seq, 10), "Correct: " + s.protocol.ComplicationTitle(c.Complication) + ", " + dayWord(c.Date) + ", entry " + strconv.FormatInt(c.Seq, 10),
			})
		}
		fields = append(fields, replaces, optionally(field{Name: "entered_in_error", Label: "There was no such complication: the entry was an error", Type: "checkbox"}))
	}
	fields = append(fields, what, field{Name: "on", Label: "Day", Type: "date"})
	fields = append(fields, treatmentFields()...)
	return append(fields,
		optionally(field{Name: "readmitted_on", Label: "Readmitted on", Type: "date"}),
		optionally(field{Name: "reoperated_on", Label: "Operated again on", Type: "date"}),
		field{Name: "note", Label: "Note", Hint: "Needed for another complication and for an error. Read by the care team.", Type: "textarea", Optional: true})
}

func complicationBody(s scene, v url.Values, _ string) (command.Body, []problem) {
	body := &command.RecordComplication{}
	body.Replaces, _ = strconv.ParseInt(v.Get("replaces"), 10, 64)
	for _, c := range s.course.Standing() {
		if body.Replaces == c.Seq {
			*body = c.RecordComplication
			body.Replaces, body.Note = c.Seq, ""
		}
	}
	problems := fillBody(treatmentFields(), v, s.protocol.Zone(), body)
	set := func(name string, into *string) {
		if text := v.Get(name); text != "" {
			*into = text
		}
	}
	set("complication", &body.Complication)
	set("on", (*string)(&body.Date))
	set("readmitted_on", (*string)(&body.ReadmittedOn))
	set("reoperated_on", (*string)(&body.ReoperatedOn))
	set("note", &body.Note)
	body.EnteredInError = v.Has("entered_in_error")
	return body, problems
}

var (
	wholeShape   = regexp.MustCompile(`^[0-9]{1,7}$`)
	decimalShape = regexp.MustCompile(`^[0-9]{1,7}(\.[0-9]{1,3})?$`)
	// leading are zeros that a number of JSON may not begin with.
	leading = regexp.MustCompile(`^0+([0-9])`)
)

// fillBody writes the answers of a form over the members of a body that its
// fields name.
func fillBody(fields []field, v url.Values, zone *time.Location, body any) []problem {
	var problems []problem
	tree := map[string]any{}
	for _, f := range fields {
		text := strings.TrimSpace(v.Get(f.Name))
		wrong := func(what string) { problems = append(problems, problem{Text: what, Field: f.Name}) }
		switch {
		case f.Type == "checkboxes":
			if chosen := v[f.Name]; len(chosen) > 0 {
				put(tree, f.Name, chosen)
			}
		case text == "" || f.Type == "part":
		case f.Type == "whole" && !wholeShape.MatchString(text):
			wrong("Not a whole number; accepted: digits, such as 250.")
		case f.Type == "decimal" && !decimalShape.MatchString(text):
			wrong("Not a number; accepted: digits with a point for decimals, such as 12.5.")
		case f.Type == "whole", f.Type == "decimal":
			put(tree, f.Name, json.Number(leading.ReplaceAllString(text, "$1")))
		case f.Type == "instant":
			at, ok := localInstant(text, zone)
			if !ok {
				wrong("Not a time of the programme's clocks; accepted: a day and a time, such as 2031-03-14 08:15.")
				continue
			}
			put(tree, f.Name, at)
		case f.Type == "yesno" && !strings.HasPrefix(f.Name, "treatment."):
			put(tree, f.Name, text == "yes")
		default:
			put(tree, f.Name, text)
		}
	}
	raw, err := json.Marshal(tree)
	if err == nil {
		err = json.Unmarshal(raw, body)
	}
	if err != nil {
		problems = append(problems, problem{Text: "The form can't be read; load the page again."})
	}
	return problems
}

// put sets a member of a tree that a name with points leads to.
func put(tree map[string]any, name string, value any) {
	head, rest, deeper := strings.Cut(name, ".")
	if !deeper {
		tree[head] = value
		return
	}
	inner, ok := tree[head].(map[string]any)
	if !ok {
		inner = map[string]any{}
		tree[head] = inner
	}
	put(inner, rest, value)
}

// take reads what put would set, nil when there is nothing.
func take(tree map[string]any, name string) any {
	head, rest, deeper := strings.Cut(name, ".")
	if !deeper {
		return tree[head]
	}
	inner, _ := tree[head].(map[string]any)
	return take(inner, rest)
}

// members are those of a body, as put sets them.
func members(body any) map[string]any {
	tree := map[string]any{}
	raw, err := json.Marshal(body)
	if err != nil {
		return tree
	}
	decoder := json.NewDecoder(strings.NewReader(string(raw)))
	decoder.UseNumber()
	_ = decoder.Decode(&tree) // what was encoded just now
	return tree
}

// prefill gives fields the answers that a record holds.
func prefill(fields []field, body any, zone *time.Location) {
	tree := members(body)
	for i := range fields {
		f := &fields[i]
		switch value := take(tree, f.Name).(type) {
		case nil:
		case bool:
			f.Value = map[bool]string{true: "yes", false: "no"}[value]
		case []any:
			for _, each := range value {
				f.Checked = append(f.Checked, fmt.Sprint(each))
			}
		default:
			f.Value = fmt.Sprint(value)
			if at, err := time.Parse(time.RFC3339, f.Value); err == nil && f.Type == "instant" {
				f.Value = at.In(zone).Format("2006-01-02T15:04:05")
			}
		}
	}
}

// localInstant reads a day and a time of the programme's clocks.
func localInstant(text string, zone *time.Location) (string, bool) {
	text = strings.Replace(text, " ", "T", 1)
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04"} {
		at, err := time.ParseInLocation(layout, text, zone)
		// A time that the clocks skip in spring does not come back as it was.
		if err == nil && at.Format(layout) == text {
			return at.Format(time.RFC3339), true
		}
	}
	return "", false
}

// operationModel is the section about the operation.
type operationModel struct {
	// Standing says which entry stands, and how often it was amended.
	Standing   string
	Alerts     []operation.Alert
	Computed   []fact
	Parts      []operationPart
	Missing    []string
	MayAmend   bool
	Comparison []comparedModel
	// Compares says what the comparison comes to.
	Compares      string
	Grade         string
	Complications []complicationModel
}

// operationPart is one part of the record.
type operationPart struct {
	Title string
	Facts []fact
}

// comparedModel is one line of the comparison with imaging.
type comparedModel struct {
	Title, Imaged, Found, Verdict string
	Differs                       bool
}

type complicationModel struct{ Title, Day, Grade, Treatment, Course, Note, Entry string }

var verdictWords = map[operation.Verdict]string{
	operation.Agrees: "Agrees", operation.Differs: "Differs", operation.NotImaged: "Not imaged",
	operation.NotRecorded: "Not recorded at the operation", operation.CannotCompare: "Imaging gives no plain number to compare",
}

// operationSection shows a course, nil when there is none. The results are those
// that the viewer may see.
func operationSection(sc scene, results []result.Result, people map[string]string) (*operationModel, error) {
	course := sc.viewer.reader().Operation(sc.course)
	if !course.Any() {
		return nil, nil
	}
	m := &operationModel{}
	state, zone := sc.candidate.State, sc.protocol.Zone()
	if r := course.Record; r != nil {
		m.Standing = fmt.Sprintf("Entry %d stands, by %s, %s", course.Seq, personWord(people, course.By), course.At.In(zone).Format("2 Jan 2006, 15:04"))
		if n := len(course.Amendments); n > 0 {
			m.Standing += "; amended " + plural(n, "time") + ", see the history"
		}
		var decided journey.Side
		if state.Decision != nil {
			decided = state.Decision.Side
		}
		m.Alerts = operation.Alerts(*r, decided)
		for _, c := range operation.Times(*r) {
			m.Computed = append(m.Computed, fact{c.Title, lengthWord(c)})
		}
		fields := recordFields()
		m.Parts = recordParts(fields, r, zone)
		for _, name := range operation.Missing(*r) {
			i := slices.IndexFunc(fields, func(f field) bool { return f.Name == name })
			if i >= 0 {
				m.Missing = append(m.Missing, lower(fields[i].Label))
			}
		}
		m.MayAmend = slices.Contains(journey.Allowed(state.Stage, sc.viewer.Role), journey.AmendOperation)
		m.compare(operation.Compare(*r, results, state.Operated))
	}
	for _, c := range course.Standing() {
		m.Complications = append(m.Complications, complicationRow(sc, c))
	}
	grade, any, err := course.Grade()
	if err != nil {
		return nil, err
	}
	m.Grade = "No complication is on record."
	if any {
		m.Grade = "Highest grade: " + gradeWord(grade) + "."
	}
	return m, nil
}

func (m *operationModel) compare(lines []operation.Compared) {
	differing, compared := 0, 0
	for _, c := range lines {
		row := comparedModel{
			Title: c.Title, Imaged: cmp.Or(c.Imaged, "–"), Found: cmp.Or(c.Found, "–"), Verdict: known(verdictWords, c.Verdict), Differs: c.Verdict == operation.Differs,
		}
		if c.On != "" {
			row.Imaged += ", " + dayWord(c.On)
		}
		if row.Differs {
			differing++
		}
		if row.Differs || c.Verdict == operation.Agrees {
			compared++
		}
		m.Comparison = append(m.Comparison, row)
	}
	switch {
	case differing > 0:
		m.Compares = "What was found differs from imaging in " + plural(differing, "line") + "."
	case compared > 0:
		m.Compares = "What was found agrees with imaging wherever both are known."
	default:
		m.Compares = "There is nothing yet to compare."
	}
}

// recordParts are the answers of a record under the headings of its form.
func recordParts(fields []field, r *command.RecordOperation, zone *time.Location) []operationPart {
	tree := members(r)
	parts := []operationPart{{Title: "Outcome"}}
	for _, f := range fields {
		if f.Type == "part" {
			parts = append(parts, operationPart{Title: f.Label})
			continue
		}
		last := &parts[len(parts)-1]
		if text := answerWord(f, take(tree, f.Name), zone); text != "" {
			last.Facts = append(last.Facts, fact{f.Label, text})
		}
	}
	return slices.DeleteFunc(parts, func(p operationPart) bool { return len(p.Facts) == 0 })
}

func answerWord(f field, value any, zone *time.Location) string {
	switch value := value.(type) {
	case nil:
		return ""
	case bool:
		return map[bool]string{true: "Yes", false: "No"}[value]
	case []any:
		var list []string
		for _, each := range value {
			list = append(list, codeWord(fmt.Sprint(each)))
		}
		return strings.Join(list, ", ")
	}
	text := fmt.Sprint(value)
	switch f.Type {
	case "select", "radio":
		return codeWord(text)
	case "instant":
		if at, err := time.Parse(time.RFC3339, text); err == nil {
			layout := "2 Jan 2006, 15:04:05"
			if at.Second() == 0 {
				layout = "2 Jan 2006, 15:04"
			}
			return at.In(zone).Format(layout)
		}
	}
	return text
}

// lengthWord writes a length of time in its unit and as people say it.
func lengthWord(c operation.Computed) string {
	unit := map[string]time.Duration{"s": time.Second, "min": time.Minute}[c.Unit]
	whole := time.Duration(c.Value * float64(unit)).Round(time.Second)
	said := strings.NewReplacer("h", " h ", "m", " min ", "s", " s").Replace(whole.String())
	return strings.TrimSpace(strings.TrimSuffix(strings.TrimSuffix(said, " 0 s"), " 0 min"))
}

func gradeWord(g perioperative.ClavienDindo) string {
	if g.Answer == string(perioperative.GradeUnknown) {
		return "not decided, at least " + string(g.Lowest) + " (Clavien-Dindo)"
	}
	return g.Answer + " (Clavien-Dindo)"
}

func complicationRow(sc scene, c operation.Complication) complicationModel {
	row := complicationModel{
		Title: sc.protocol.ComplicationTitle(c.Complication), Day: dayWord(c.Date), Grade: gradeWord(c.Grade), Note: c.Note,
		Treatment: treatmentWord(c.Treatment), Entry: strconv.FormatInt(c.Seq, 10),
	}
	if days := sc.candidate.State.Operated.DaysUntil(c.Date); sc.candidate.State.Operated != "" {
		row.Day += ", day " + strconv.Itoa(days)
	}
	if c.ReadmittedOn != "" {
		row.Course = "Readmitted " + dayWord(c.ReadmittedOn)
	}
	if c.ReoperatedOn != "" {
		row.Course = joined(row.Course, "operated again "+dayWord(c.ReoperatedOn))
	}
	return row
}

// treatmentWord lists what was done, and what nobody has said.
func treatmentWord(t command.Treatment) string {
	tree := members(t)
	var done, open []string
	for _, f := range treatmentFields() {
		name, ok := strings.CutPrefix(f.Name, "treatment.")
		if !ok {
			continue
		}
		switch value, _ := tree[name].(string); value {
		case "":
			open = append(open, lower(f.Label))
		case "no", "none":
		case "yes":
			done = append(done, f.Label)
		default:
			done = append(done, f.Label+": "+lower(codeWord(value)))
		}
	}
	text := cmp.Or(strings.Join(done, "; "), "Nothing beyond the usual")
	if len(open) > 0 {
		text += ". Not stated: " + strings.Join(open, ", ")
	}
	return text
}
