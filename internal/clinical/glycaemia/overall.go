package glycaemia

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"candidacy/internal/clinical"
)

// OverallInput is all that was measured of glycaemia. At least one result is
// required. Results that were measured in an earlier pregnancy do not belong here.
type OverallInput struct {
	Fasting   []FastingInput   `json:"fasting,omitempty" jsonschema:"fasting plasma glucose values"`
	Tolerance []ToleranceInput `json:"tolerance,omitempty" jsonschema:"75 g tolerance tests"`
	HbA1c     []HbA1cInput     `json:"hba1c,omitempty" jsonschema:"glycated haemoglobin values"`
	Symptoms  clinical.Answer  `json:"symptoms,omitempty" jsonschema:"yes or no: are there symptoms of diabetes? Empty when not recorded"`
}

// The answers of Overall beside Normal and Prediabetes.
const (
	// DiabetesConfirmed: two results lie in the range of diabetes, or one with
	// symptoms, and at least one of them has no open question.
	DiabetesConfirmed = "diabetes-confirmed"
	// DiabetesUnconfirmed: a result lies in the range of diabetes; another, or
	// the answer to an open question, is needed.
	DiabetesUnconfirmed = "diabetes-unconfirmed"
	// CannotTell: all results are normal, and none is without open questions.
	CannotTell = "cannot-tell"
)

// resultsToConfirm: without symptoms diabetes needs two abnormal results.
// Source: American Diabetes Association, Diabetes Care.
const resultsToConfirm = 2

// Overall returns the worst class of all results: normal, prediabetes,
// diabetes-unconfirmed or diabetes-confirmed. Diabetes is confirmed by two
// results in its range, or by one when there are symptoms; when symptoms were
// not recorded one result does not confirm it. Each result is a reason. One that
// is not valid, because of food or a condition, is listed as such and not counted.
//
// One measurement counts once, however often it is given: results are the same
// with the same reference, or, where neither has one, with the same kind, date and
// value, also when no date was recorded. Of those the worst class counts.
//
// A haemoglobin variant recorded with one HbA1c makes all of them not valid. An
// HbA1c of which a condition was not recorded is open: it keeps its class and
// supports the answer, because it is no reason to overlook what it shows, but
// normal needs another result that is not open, else the answer is CannotTell,
// and to confirm diabetes at least one of the results in its range must not be
// open. A glucose is not open when pregnancy was not recorded; that is a reason
// of weight not-known.
//
// It returns a *clinical.Error when nothing was measured, with the code
// NotValidInPregnancy when any result was measured in pregnancy, with TooFew when
// no result is valid, and for anything else that the function of one result
// returns an error for; its field names the item, such as fasting 2 glucose.
// Source: American Diabetes Association, Diabetes Care; open results and repeated
// measurements: common practice, no published source.
func Overall(in OverallInput) (clinical.Conclusion, error) {
	if err := clinical.CheckAnswer("symptoms", in.Symptoms); err != nil {
		return clinical.Conclusion{}, err
	}
	if len(in.Fasting)+len(in.Tolerance)+len(in.HbA1c) == 0 {
		return clinical.Conclusion{}, &clinical.Error{
			Code: clinical.Missing, Field: "results", Message: "at least one result is required",
			Accepted: []string{"fasting glucose", "75 g tolerance test", "HbA1c"},
		}
	}
	c := clinical.Conclusion{Question: "glycaemia", Rule: "glycaemia-ada", Source: source}
	found, err := in.classify(&c)
	if err != nil {
		return clinical.Conclusion{}, err
	}
	c.AddChoice("symptoms", string(in.Symptoms))
	countOnce(&c, found)

	worst := slices.MaxFunc(found, byClass).class
	if worst == "" {
		return clinical.Conclusion{}, &clinical.Error{
			Code: clinical.TooFew, Field: "results", Message: "none of the results is valid; repeat the measurement",
		}
	}
	var certain, inWorst, certainInWorst int
	for _, f := range found {
		if f.class == "" || f.repeated {
			c.AddReason(clinical.Neutral, source, f.text)
			continue
		}
		if !f.open {
			certain++
		}
		switch {
		case f.class != worst:
			c.AddReason(clinical.Opposes, source, f.text)
		case f.open:
			inWorst++
			c.AddReason(clinical.Supports, source, f.text+", with open questions")
		default:
			inWorst++
			certainInWorst++
			c.AddReason(clinical.Decides, source, f.text)
		}
		c.Reasons = append(c.Reasons, f.notKnown...)
	}
	c.Answer = string(worst)
	switch {
	case worst == Diabetes:
		confirm(&c, inWorst, certainInWorst, in.Symptoms)
	case certain == 0 && worst == Normal:
		c.Answer = CannotTell
		c.AddReason(clinical.Decides, practice, "normal needs a result without open questions")
	case certainInWorst == 0:
		c.AddReason(clinical.Decides, practice, "the worst class counts until its open questions are answered")
	}
	if certain == 0 {
		c.Warn(OnlyOpenResults, "each result has open questions about whether it is valid")
	}
	return c, nil
}

const practice = "common practice, no published source"

// finding is one result in Overall. It has no class when it is not valid. An open
// one may turn out as not valid, a repeated one was counted already.
type finding struct {
	kind        string
	measurement clinical.Measurement
	class       Class
	text        string
	notKnown    []clinical.Reason
	open        bool
	repeated    bool
}

// byClass orders by class, one that is not valid first.
func byClass(a, b finding) int {
	return cmp.Compare(slices.Index(Classes(), a.class), slices.Index(Classes(), b.class))
}

// item is one result with what classifies it. Kind and the words of fields are
// those of the input.
type item struct {
	kind, name  string
	number      int
	measurement clinical.Measurement
	pregnancy   clinical.Answer
	fields      map[string]string
	classify    func() (clinical.Conclusion, error)
}

func (in OverallInput) items() []item {
	var list []item
	for i, one := range in.Fasting {
		list = append(list, item{
			"fasting", "fasting glucose", i + 1, one.Glucose, one.Pregnancy,
			map[string]string{"fasting glucose": "glucose"},
			func() (clinical.Conclusion, error) { return FastingGlucose(one) },
		})
	}
	for i, one := range in.Tolerance {
		list = append(list, item{
			"tolerance", "tolerance test", i + 1, one.Glucose, one.Pregnancy,
			map[string]string{toleranceName: "glucose", "glucose dose": "dose", "time after the drink": "time"},
			func() (clinical.Conclusion, error) { return ToleranceGlucose(one) },
		})
	}
	for i, one := range in.HbA1c {
		list = append(list, item{
			"hba1c", "HbA1c", i + 1, one.HbA1c, one.Pregnancy,
			map[string]string{"HbA1c": "hba1c", "haemoglobin variant": "variant", "recent transfusion": "transfusion"},
			func() (clinical.Conclusion, error) { return HbA1cClass(one) },
		})
	}
	return list
}

// named returns the error with the item in its field.
func (i item) named(err error) error {
	var e *clinical.Error
	if !errors.As(err, &e) {
		return err
	}
	named := *e
	field, ok := i.fields[e.Field]
	if !ok {
		field = e.Field
	}
	named.Field = fmt.Sprintf("%s %d %s", i.kind, i.number, field)
	return &named
}

// classify classifies each result and lists its inputs and warnings.
func (in OverallInput) classify(c *clinical.Conclusion) ([]finding, error) {
	items := in.items()
	for _, i := range items {
		if i.pregnancy == clinical.Yes {
			return nil, i.named(&clinical.Error{
				Code: clinical.NotValidInPregnancy, Field: "pregnancy",
				Message: "the classes of glycaemia do not hold in pregnancy, so none of the results is classified",
			})
		}
	}
	variant := slices.ContainsFunc(in.HbA1c, func(h HbA1cInput) bool { return h.Variant == clinical.Yes })
	var found []finding
	for _, i := range items {
		name := fmt.Sprintf("%s %d", i.name, i.number)
		one, err := i.classify()
		var e *clinical.Error
		switch {
		case errors.As(err, &e) && e.Code == clinical.QualityRefused:
			found = append(found, finding{text: name + " is not counted: " + e.Error()})
			c.Warn(ResultNotCounted, "%s is not counted: %v", name, e)
			continue
		case err != nil:
			return nil, i.named(err)
		}
		c.Inputs = append(c.Inputs, one.Inputs...)
		if variant && i.kind == "hba1c" {
			const text = " is not counted: a haemoglobin variant is recorded with another HbA1c; use glucose"
			found = append(found, finding{text: name + text})
			c.Warn(ResultNotCounted, "%s%s", name, text)
			continue
		}
		f := finding{kind: i.kind, measurement: i.measurement, class: Class(one.Answer), text: name + ": " + one.Answer}
		for _, r := range one.Reasons {
			if r.Weight == clinical.NotKnown {
				r.Text = name + ": " + r.Text
				f.notKnown = append(f.notKnown, r)
			}
		}
		// What makes a glucose not valid is known, but for pregnancy.
		f.open = i.kind == "hba1c" && len(f.notKnown) > 0
		for _, w := range one.Warnings {
			c.Warn(w.Code, "%s: %s", name, w.Message)
		}
		found = append(found, f)
	}
	return found, nil
}

// countOnce marks what was counted already: of the results of one measurement
// one of the worst class counts, rather one that is not open.
func countOnce(c *clinical.Conclusion, found []finding) {
	for i := range found {
		f := &found[i]
		for j := range found[:i] {
			other := &found[j]
			if other.repeated || !f.sameAs(*other) {
				continue
			}
			if f.measurement.Quantity != other.measurement.Quantity {
				c.Warn(SameReference, "%s and %s have one reference and different values; the worse counts", other.text, f.text)
			}
			again := f
			if order := byClass(*f, *other); order > 0 || order == 0 && other.open && !f.open {
				again = other
			}
			again.repeated = true
			again.text += "; it has the reference, or the kind, date and value, of another result, so that both count once"
			break
		}
	}
}

// sameAs reports whether two results are one measurement.
func (f finding) sameAs(other finding) bool {
	a, b := f.measurement, other.measurement
	switch {
	case f.class == "" || other.class == "":
		return false
	case a.Ref != "" || b.Ref != "":
		return a.Ref == b.Ref
	}
	return f.kind == other.kind && a.Date == b.Date && a.Quantity == b.Quantity
}

// confirm says whether diabetes is confirmed by the results in its range, of
// which some are certain.
func confirm(c *clinical.Conclusion, inRange, certain int, symptoms clinical.Answer) {
	c.Answer = DiabetesUnconfirmed
	switch {
	case certain == 0:
		c.AddReason(clinical.Decides, practice, "each result in the range of diabetes has open questions; one without them is needed")
	case inRange >= resultsToConfirm:
		c.Answer = DiabetesConfirmed
		c.AddReason(clinical.Decides, source, fmt.Sprintf("%d results are in the range of diabetes", inRange))
	case symptoms == clinical.Yes:
		c.Answer = DiabetesConfirmed
		c.AddReason(clinical.Decides, source, "there are symptoms, so one result in the range of diabetes is enough")
	default:
		c.AddReason(clinical.Decides, source, fmt.Sprintf("one result is in the range of diabetes; without symptoms %d are needed", resultsToConfirm))
	}
	if symptoms == clinical.NotRecorded {
		c.AddReason(clinical.NotKnown, source, "symptoms of diabetes were not recorded")
		c.Warn(SymptomsNotRecorded, "symptoms of diabetes were not recorded; without them %d results are needed", resultsToConfirm)
	}
}
