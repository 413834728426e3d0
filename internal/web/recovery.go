package web

import (
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"candidacy/internal/api"
	"candidacy/internal/clinical"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/medication"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/recovery"
	"candidacy/internal/result"
)

// recoveryModel is the plan after the operation as the team reads it.
type recoveryModel struct {
	Picture template.HTML
	// Stay is what happened, Late what should have and is not on record.
	Stay []fact
	Late []string
	// Now are the lines that hold today, Lines all of them by topic.
	Now    []lineModel
	Topics []topicModel
	Count  int
	Plan   string
}

// topicModel is the lines of the plan about one thing.
type topicModel struct {
	Title string
	Lines []lineModel
}

// lineModel is one line of the plan with its days.
type lineModel struct {
	When, Title, For, Review, Source string
	State                            template.HTML
}

// medicinesModel is the list of medicines with what to know of it.
type medicinesModel struct {
	On, Complete string
	Current      []medicineModel
	Former       []medicineModel
	Warnings     []noteModel
	Notes        []noteModel
}

type medicineModel struct{ Name, Dose, Since string }

// noteModel is one note on medicines with what it stands on.
type noteModel struct {
	Text, Source string
	Inputs       []inputModel
}

// recoveryOf is nil for whoever has not donated.
func recoveryOf(sc scene) (*recoveryModel, error) {
	stay, lines, err := api.RecoveryPlan(sc.protocol, sc.candidate.State, sc.entries, sc.today)
	if err != nil || lines == nil {
		return nil, err
	}
	m := &recoveryModel{
		Picture: recoveryPicture(sc.candidate.State.Operated, sc.today, lines), Stay: stayFacts(sc, stay), Count: len(lines),
		Plan: "/candidates/" + sc.candidate.ID + "/recovery-plan",
	}
	for _, line := range lines {
		row := lineModel{
			When: lineWhen(line), Title: lineTitle(line), For: capital(line.For), Review: line.ReviewIf, Source: line.Source, State: lineMark(line),
		}
		if line.Differs != "" {
			row.Source += ". Differs: " + line.Differs
		}
		if line.Late {
			m.Late = append(m.Late, line.Title+", expected "+dayWord(line.From)+"; nothing is on record")
		}
		signs := line.Topic == protocol.EmergencySigns || line.Topic == protocol.WarningSigns
		if line.State == recovery.Now && !line.Late && !signs && !line.ForLife {
			m.Now = append(m.Now, row)
		}
		m.add(topicWord(line.Topic), row)
	}
	return m, nil
}

func (m *recoveryModel) add(topic string, row lineModel) {
	i := slices.IndexFunc(m.Topics, func(t topicModel) bool { return t.Title == topic })
	if i < 0 {
		i = len(m.Topics)
		m.Topics = append(m.Topics, topicModel{Title: topic})
	}
	m.Topics[i].Lines = append(m.Topics[i].Lines, row)
}

var topicWords = map[protocol.Topic]string{
	"": "Other", protocol.EmergencySigns: "Call the emergency number", protocol.WarningSigns: "Call the team", "fluids-and-diet": "Fluids and diet",
	"clots": "Clot prevention", "family": "Sex and pregnancy", "checks": "Checks", "after-care": "After-care", "medicines": "Medicines",
}

func topicWord(t protocol.Topic) string {
	if word, ok := topicWords[t]; ok {
		return word
	}
	return capital(strings.ReplaceAll(string(t), "-", " "))
}

// anchorWords name what days are counted from.
var anchorWords = map[protocol.Anchor]string{
	protocol.AtOperation: "operation", protocol.AtEating: "eats", protocol.AtWalking: "walks", protocol.AtCatheterOut: "catheter out",
	protocol.AtDrainOut: "drain out", protocol.AtDischarge: "going home", protocol.AtLastOpioid: "last opioid",
	protocol.AtFirstVisit: "first visit", protocol.AtWorkPart: "work part-time", protocol.AtWorkFull: "work in full",
}

func anchorList(anchors []protocol.Anchor) string {
	words := make([]string, len(anchors))
	for i, a := range anchors {
		words[i] = known(anchorWords, a)
	}
	return strings.Join(words, " and ")
}

// lineWhen says when a line holds. A day that is not known is not guessed.
func lineWhen(l recovery.Line) string {
	from, until := dayWord(l.From), dayWord(l.Until)
	switch {
	case l.State == recovery.Done && l.From != "" && l.From != l.DoneOn:
		return "On record " + dayWord(l.DoneOn) + ", planned " + from
	case l.State == recovery.Done:
		return "On record " + dayWord(l.DoneOn)
	case len(l.WaitsFor) > 0 && l.NotBefore != "":
		return "Waits for: " + anchorList(l.WaitsFor) + "; not before " + dayWord(l.NotBefore)
	case len(l.WaitsFor) > 0:
		return "Waits for: " + anchorList(l.WaitsFor)
	case l.ForLife:
		return "From " + from + " on, for life"
	case l.EndsWith != "":
		return "From " + from + "; the end waits for: " + anchorList([]protocol.Anchor{l.EndsWith})
	case until == "":
		return "From " + from + " on"
	case until == from:
		return from
	default:
		return from + " to " + until
	}
}

// lineTitle adds the condition of a line while it is not known whether it holds.
func lineTitle(l recovery.Line) string {
	switch {
	case len(l.Work) > 0:
		words := make([]string, len(l.Work))
		for i, w := range l.Work {
			words[i] = string(w)
		}
		return l.Title + " (for " + strings.Join(words, " and ") + " work; the kind of work is not on record)"
	case len(l.Approach) > 0:
		return l.Title + " (the approach is not on record)"
	}
	return l.Title
}

var lineWords = map[recovery.State]struct{ word, shape, class string }{
	recovery.Waits: {"Waits", "glass", "status-not-due"}, recovery.Ahead: {"Ahead", "ring", "status-not-due"}, recovery.Now: {"Now", "half", "status-resulted"},
	recovery.Past: {"Past", "bar", "status-not-due"}, recovery.Done: {"Done", "tick", "status-met"},
}

func lineMark(l recovery.Line) template.HTML {
	if l.Late {
		return mark("status-needs-review", "triangle", "Not on record")
	}
	w := lineWords[l.State]
	return mark(w.class, w.shape, w.word)
}

// stayLabels are the fields of a stay with their words, in the order in which a
// stay meets them.
var stayLabels = []struct{ field, label string }{
	{"eating", "Eats a light diet since"}, {"walking", "Walks since"}, {"catheter_out", "Catheter out on"}, {"drain_out", "Drain out on"},
	{"discharged", "Went home on"}, {"last_opioid", "Last opioid on"}, {"work_part_time", "Works part-time since"}, {"work_full", "Works in full since"},
}

var workWords = map[protocol.WorkKind]string{"desk": "At a desk", "mixed": "On the feet, with some lifting", "heavy": "Heavy"}

func stayFacts(sc scene, stay recovery.Stay) []fact {
	list := []fact{{"Operation", dayWord(sc.candidate.State.Operated)}}
	if stay.Approach != "" {
		list = append(list, fact{"Approach", stay.Approach})
	}
	for _, f := range stayLabels {
		if day := stay.Days[recovery.AnchorOf(f.field)]; day != "" {
			list = append(list, fact{f.label, dayWord(day)})
		}
	}
	if home := stay.Days[protocol.AtDischarge]; home != "" {
		list = append(list, fact{"Nights in hospital", fmt.Sprint(sc.candidate.State.Operated.DaysUntil(home))})
	}
	if stay.Work != "" {
		list = append(list, fact{"Work", known(workWords, stay.Work)})
	}
	return list
}

// medicinesOf is nil where no list is on record, or none is for the viewer.
func medicinesOf(sc scene, results []result.Result) (*medicinesModel, error) {
	list, notes, err := sc.viewer.reader().Medicines(sc.protocol, sc.candidate.State, sc.entries, results)
	if err != nil || list.On == "" {
		return nil, err
	}
	m := &medicinesModel{On: dayWord(list.On), Complete: "not confirmed as complete"}
	if list.Complete {
		m.Complete = "confirmed as complete"
	}
	for _, k := range list.Current {
		m.Current = append(m.Current, medicineOf(k))
	}
	for _, k := range list.Former {
		m.Former = append(m.Former, medicineOf(k))
	}
	for _, n := range notes {
		row := noteModel{Text: n.Text, Source: n.Source, Inputs: clinicalInputs(sc.protocol, n.Inputs)}
		if n.Warning {
			m.Warnings = append(m.Warnings, row)
		} else {
			m.Notes = append(m.Notes, row)
		}
	}
	return m, nil
}

func medicineOf(k medication.Known) medicineModel {
	m := medicineModel{Name: k.Name, Since: dayWord(k.Since)}
	if k.ATC != "" {
		m.Name += " (" + k.ATC + ")"
	}
	var parts []string
	for _, in := range k.Ingredients {
		parts = append(parts, in.Substance+" "+in.Strength.Value.String()+" "+in.Strength.Unit+" in each")
	}
	if k.Dose != nil {
		parts = append(parts, k.Dose.Count.String()+" at once, "+k.Dose.TimesADay.String()+" times a day")
	}
	if k.AsNeeded {
		parts = append(parts, "as needed")
	}
	m.Dose = strings.Join(parts, "; ")
	if k.Gone != "" {
		m.Since = strings.TrimPrefix(m.Since+", ", ", ") + "no longer on the list of " + dayWord(k.Gone)
	}
	return m
}

func clinicalInputs(p *protocol.Protocol, in []clinical.Input) []inputModel {
	var list []inputModel
	for _, i := range in {
		switch {
		case i.Choice != "":
			list = append(list, inputModel{capital(i.Name), i.Choice, ""})
		case i.Measurement.Given():
			value := fmt.Sprintf("%g %s", i.Measurement.Value, unitWord(i.Measurement.Unit))
			list = append(list, inputModel{capital(i.Name), strings.TrimSpace(value), whenWord(i.Measurement.Date, p.Zone())})
		}
	}
	return list
}

// planModel is the page of the recovery plan for the team, to be printed.
type planModel struct {
	Name, Identifier, Home, Protocol string
	Recovery                         *recoveryModel
	Contacts                         []protocol.Contact
}

// recoveryPlan shows the plan of one donor alone.
func (s *server) recoveryPlan(c echo.Context) error {
	sc, err := s.sceneOf(c)
	if err != nil {
		return err
	}
	found, v := sc.candidate, sc.viewer
	m, err := recoveryOf(sc)
	if err != nil {
		return err
	}
	if m == nil {
		return errNotFound
	}
	return s.render(c, http.StatusOK, "recovery-plan", page{Title: "Recovery plan: " + v.name(found), Body: planModel{
		Name: v.name(found), Identifier: v.identifier(found), Home: "/candidates/" + found.ID, Recovery: m, Contacts: sc.protocol.Contacts,
		Protocol: sc.protocol.Title + ", version " + sc.protocol.Version,
	}})
}

// aftercare adds to an entry what it tells of the stay, medicines or the donor's
// link.
func (m *entryModel) aftercare(e record.Entry, add func(label, value string), words func(label, member, text string)) {
	switch e.Kind {
	case journey.RecordStay:
		var body command.RecordStay
		read(e, &body)
		for i, day := range body.Days() {
			add(stayLabels[i].label, dayWord(day.Day))
		}
		add("Work", known(workWords, protocol.WorkKind(body.Work)))
		for _, f := range stayLabels {
			if slices.Contains(body.Withdrawn, f.field) {
				add("Recorded by mistake", lower(strings.TrimSuffix(strings.TrimSuffix(f.label, " since"), " on")))
			}
		}
		words("Reason", "reason", body.Reason)
		words("Note", "note", body.Note)
	case journey.RecordMedicines:
		var body command.RecordMedicines
		read(e, &body)
		var names []string
		for _, each := range body.Medicines {
			names = append(names, each.Name)
		}
		words("Medicines", "medicines", strings.Join(names, "; "))
		words("Note", "note", body.Note)
	case journey.GiveDonorLink:
		var body command.GiveDonorLink
		read(e, &body)
		add("Until", dayWord(body.Until))
	}
}
