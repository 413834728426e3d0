package medicines

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Dose is one intake of a product. Minute counts from a start that all products
// share. Count is the number of unit doses, such as tablets; halves are allowed.
type Dose struct {
	Minute int     `json:"minute" jsonschema:"minutes after the common start, 0 to 44640"`
	Count  float64 `json:"count" jsonschema:"unit doses taken at once, such as 2 tablets"`
}

// Plan is a regular order: Times intakes of Count unit doses, the first at
// Start, one every Every minutes. To see a full day, Times has to cover it.
type Plan struct {
	Start int     `json:"start" jsonschema:"minute of the first intake after the common start"`
	Every int     `json:"every" jsonschema:"minutes between intakes"`
	Times int     `json:"times" jsonschema:"number of intakes, 1 to 500"`
	Count float64 `json:"count" jsonschema:"unit doses taken at once"`
}

// Product is one product with its intakes, taken or planned. Strength is the
// paracetamol in one unit dose; it is required when the ATC code tells that the
// product holds paracetamol.
type Product struct {
	ATC      string               `json:"atc,omitzero" jsonschema:"complete ATC code; empty when none is recorded"`
	Strength clinical.Measurement `json:"strength,omitzero" jsonschema:"paracetamol in one unit dose, in mg or g"`
	Doses    []Dose               `json:"doses,omitzero" jsonschema:"single intakes"`
	Plan     *Plan                `json:"plan,omitzero" jsonschema:"regular intakes, beside the single ones"`
	Ref      string               `json:"ref,omitzero" jsonschema:"reference of the record"`
}

// ParacetamolInput is every product that a person takes, with what decides the
// cap. NextDose, optional, is a further dose whose earliest time is asked for.
type ParacetamolInput struct {
	Products     []Product            `json:"products" jsonschema:"every product, those without paracetamol may be among them"`
	Weight       clinical.Measurement `json:"weight,omitzero" jsonschema:"body weight in kg or [lb_av]"`
	LiverDisease clinical.Answer      `json:"liverDisease,omitzero" jsonschema:"yes or no"`
	NextDose     clinical.Measurement `json:"nextDose,omitzero" jsonschema:"paracetamol in a further dose, in mg or g"`
}

// ParacetamolRules are the choices of a programme. LowerCap holds below
// LowWeight and with liver disease; zero means that the programme has not stated
// one, and then such a person gets no answer.
type ParacetamolRules struct {
	Cap             float64  `json:"capG" jsonschema:"highest amount in g in any 24 h, up to 4"`
	LowerCap        float64  `json:"lowerCapG,omitzero" jsonschema:"cap in g for a low weight or liver disease, such as 2 or 3"`
	LowWeight       float64  `json:"lowWeightKg" jsonschema:"weight in kg below which the lower cap holds"`
	ShortestMinutes int      `json:"shortestMinutes" jsonschema:"minutes that have to lie between two doses"`
	Contains        []string `json:"contains" jsonschema:"ATC codes of products that hold paracetamol"`
	MayContain      []string `json:"mayContain" jsonschema:"ATC codes of products that may or may not hold paracetamol"`
}

// DefaultParacetamolRules returns the rules of the project: 4 g in any 24 h, 4 h
// between doses, a lower cap below 50 kg that the programme has to state (2 to 3
// g are usual). Common practice, no published source. The codes are from memory
// of the WHO ATC index and need the review of a pharmacist: paracetamol alone
// and in combinations, and with dihydrocodeine, codeine, tramadol, oxycodone and
// hydrocodone. MayContain holds combinations whose code does not name every
// substance, among them those of combinationGroups and of NSAID, and propacetamol,
// whose dose is not that of paracetamol.
func DefaultParacetamolRules() ParacetamolRules {
	return ParacetamolRules{
		Cap: 4, LowWeight: 50, ShortestMinutes: 240,
		Contains: []string{"N02BE01", "N02BE51", "N02BE71", "N02AJ01", "N02AJ06", "N02AJ13", "N02AJ17", "N02AJ22"},
		MayContain: append(combinationGroups(),
			"N02BE05", "N02BE5", "N02BE7", "N02AJ03", "N02AJ09", "N02AJ15", "N02BA5", "N02BA6", "N02BA7", "N02BB5", "N02BB7",
			"M01AA5", "M01AB5", "M01AC5", "M01AE5", "M01AG5", "M01AH5", "M01AX5", "M01AX6"),
	}
}

// Plausible values, which only catch slips of entry, and the highest cap, above
// which no programme goes. Common practice, no published source.
const (
	lowestStrengthMg, highestStrengthMg = 10, 2000
	highestCount                        = 100
	lastMinute                          = 44640 // 31 days
	mostTimes                           = 500
	lowestCapG, highestCapG             = 0.5, 4
	lowestWeightKg, highestWeightKg     = 30, 250
)

const (
	minutesADay = 1440
	mgPerG      = 1000
)

// Check returns an *Error unless the rules can be used.
func (r ParacetamolRules) Check() error {
	if err := clinical.CheckRange("cap", r.Cap, lowestCapG, highestCapG, "g"); err != nil {
		return err
	}
	if r.LowerCap != 0 {
		if err := clinical.CheckRange("lower cap", r.LowerCap, lowestCapG, r.Cap, "g"); err != nil {
			return err
		}
	}
	if err := clinical.CheckRange("low weight", r.LowWeight, lowestWeightKg, highestWeightKg, units.Kilogram); err != nil {
		return err
	}
	if err := clinical.CheckRange("shortest time between doses", float64(r.ShortestMinutes), 1, minutesADay, units.Minute); err != nil {
		return err
	}
	if len(r.Contains) == 0 {
		return &clinical.Error{Code: clinical.Missing, Field: "paracetamol codes", Message: "without codes no product can be recognised"}
	}
	if err := checkGroups("paracetamol codes", r.Contains); err != nil {
		return err
	}
	return checkGroups("may-contain codes", r.MayContain)
}

// The answers to whether paracetamol stays within the cap.
const (
	WithinCap = "within"
	AtCap     = "at-cap"
	Exceeds   = "exceeds"
)

// The warnings about paracetamol. Those about single products belong to the
// total, the others to the conclusion.
const (
	// PlanTooShort: a plan covers less than 24 h, so that the total of a day may
	// not show.
	PlanTooShort clinical.WarningCode = "plan-shorter-than-a-day"
	// LowerCapNotExcluded: the weight or liver disease was not recorded, so a
	// lower cap may hold.
	LowerCapNotExcluded clinical.WarningCode = "lower-cap-not-excluded"
	// IntervalTooShort: two intakes are closer than the shortest time.
	IntervalTooShort clinical.WarningCode = "interval-too-short"
	// ContentNotKnown: whether a product holds paracetamol is not known.
	ContentNotKnown clinical.WarningCode = "content-not-known"
	// CodeDisagrees: a strength of paracetamol is stated for a product whose code
	// is none of paracetamol; it is counted.
	CodeDisagrees clinical.WarningCode = "code-disagrees"
	// NextDoseAboveCap: the further dose alone is above the cap.
	NextDoseAboveCap clinical.WarningCode = "next-dose-above-cap"
)

// Window is the span of the largest total: from its first to its last intake, in
// minutes after the common start.
type Window struct {
	First int `json:"first"`
	Last  int `json:"last"`
}

// ParacetamolTotal is the largest amount of paracetamol in any 24 h, in g, and
// how it compares with the cap. Window is that of the total, or nil without
// intakes. Cap is in g; CapKnown is false when a fact is missing for which a lower
// cap would hold. Remaining is what may still be taken directly after the last
// listed intake, in g, before the time between doses is considered; it is not
// below zero. NextAllowed is the earliest minute after the listed intakes for the
// further dose; it is nil when none was asked for or none is allowed. Both are
// nil when the cap or the content of a product is not known.
type ParacetamolTotal struct {
	clinical.Result
	Window      *Window             `json:"window,omitempty"`
	Cap         clinical.Result     `json:"cap"`
	CapKnown    bool                `json:"capKnown"`
	Remaining   *clinical.Result    `json:"remaining,omitempty"`
	NextAllowed *clinical.Result    `json:"nextAllowed,omitempty"`
	Conclusion  clinical.Conclusion `json:"conclusion"`
}

// intake is all paracetamol taken in one minute.
type intake struct {
	minute int
	mg     float64
}

// content tells how a product was counted.
type content struct {
	strengthMg float64
	counted    bool
	unknown    bool
	text       string
	disagrees  bool
}

// Paracetamol returns the largest total of paracetamol (acetaminophen) in any 24
// h, in g, over all products, and compares it with the cap: within, at-cap,
// which is allowed, exceeds, or CannotTell when the total stays within the cap but
// a product may hold paracetamol, or weight or liver disease was not recorded and
// the total is above the lower cap or none is stated. An intake exactly 24 h after
// another does not share a window with it. Intakes closer than the shortest time
// and a plan of less than 24 h warn.
//
// It returns a *clinical.Error for no product, a malformed ATC code, a code of
// paracetamol without a strength, a strength outside 10 to 2000 mg, a product
// without intakes, an intake outside 0 to 44 640 min or of a count that is not
// positive or above 100, a plan that is not complete, a weight outside 30 to 250
// kg, a person with the lower cap where none is stated, and rules that are not
// valid. Source: common practice, no published source.
func Paracetamol(in ParacetamolInput, rules ParacetamolRules) (ParacetamolTotal, error) {
	if err := rules.Check(); err != nil {
		return ParacetamolTotal{}, err
	}
	contents, intakes, err := in.intakes(rules)
	if err != nil {
		return ParacetamolTotal{}, err
	}
	limit, err := in.limitOf(rules)
	if err != nil {
		return ParacetamolTotal{}, err
	}
	var next float64
	if in.NextDose.Given() {
		next, err = in.NextDose.Within("next dose", units.MedicineDose, lowestStrengthMg, highestStrengthMg, units.Mg)
		if err != nil {
			return ParacetamolTotal{}, err
		}
	}

	window, mg := largestDay(intakes)
	mg = amount(mg)
	p := ParacetamolTotal{
		Result: clinical.Result{
			Value:    units.Quantity{Value: mg / mgPerG, Unit: units.Gram},
			Equation: "paracetamol-largest-24h", Source: practice,
		},
		CapKnown: limit.known,
		Conclusion: clinical.Conclusion{
			Question: "does the paracetamol of all products stay within the cap in any 24 h",
			Rule:     "paracetamol-cap-24h", Source: practice,
		},
	}
	in.describe(&p.Result)
	if len(intakes) > 0 {
		p.Window = &window
		p.AddStep("first intake of the largest total", float64(window.First), units.Minute)
		p.AddStep("last intake of the largest total", float64(window.Last), units.Minute)
	}
	p.addCap(in, rules, limit)
	p.judge(mg, limit, contents)
	p.Conclusion.Reasons = append(p.Conclusion.Reasons, limit.reasons...)
	if !limit.known {
		p.Conclusion.Warn(LowerCapNotExcluded, "weight or liver disease was not recorded; a lower cap may hold")
	}
	p.warnShortPlans(in, contents)
	p.checkIntervals(intakes, contents, rules.ShortestMinutes)
	if amount(next) > limit.capMg {
		p.Conclusion.Warn(NextDoseAboveCap, "the further dose alone is above the cap")
	}
	if limit.known && !anyUnknown(contents) {
		p.addNext(intakes, next, limit.capMg, rules.ShortestMinutes)
	}
	p.Conclusion.Inputs = p.Inputs
	return p, nil
}

// intakes reads every product. The intakes are in order of time, those of one
// minute added up.
func (in ParacetamolInput) intakes(rules ParacetamolRules) ([]content, []intake, error) {
	if len(in.Products) == 0 {
		return nil, nil, &clinical.Error{Code: clinical.Missing, Field: "products", Message: "at least one product is required"}
	}
	var contents []content
	var single []intake
	for i, product := range in.Products {
		field := fieldOf("product", i)
		c, err := product.content(field, rules)
		if err != nil {
			return nil, nil, err
		}
		doses, err := product.doses(field)
		if err != nil {
			return nil, nil, err
		}
		contents = append(contents, c)
		if !c.counted {
			continue
		}
		if len(doses) == 0 {
			return nil, nil, &clinical.Error{Code: clinical.Missing, Field: field + " doses", Message: "single doses or a plan are required"}
		}
		for _, d := range doses {
			single = append(single, intake{d.Minute, d.Count * c.strengthMg})
		}
	}
	// The amounts are ordered too, so that the order of the products cannot show
	// in the last digit of a sum.
	slices.SortFunc(single, func(a, b intake) int {
		return cmp.Or(cmp.Compare(a.minute, b.minute), cmp.Compare(a.mg, b.mg))
	})
	var merged []intake
	for _, s := range single {
		if last := len(merged) - 1; last >= 0 && merged[last].minute == s.minute {
			merged[last].mg += s.mg
		} else {
			merged = append(merged, s)
		}
	}
	return contents, merged, nil
}

// content tells whether a product holds paracetamol.
func (p Product) content(field string, rules ParacetamolRules) (content, error) {
	if p.ATC != "" {
		if err := checkATC(field+" ATC code", p.ATC); err != nil {
			return content{}, err
		}
	}
	contains, may := inGroups(p.ATC, rules.Contains), inGroups(p.ATC, rules.MayContain)
	if !p.Strength.Given() && !contains {
		switch {
		case p.ATC == "":
			return content{unknown: true, text: "neither a code nor a strength was recorded; it may hold paracetamol"}, nil
		case may:
			return content{unknown: true, text: "the code does not tell whether it holds paracetamol; read its contents"}, nil
		}
		return content{text: "no paracetamol by its code"}, nil
	}
	strength, err := p.Strength.Within(field+" strength", units.MedicineDose, lowestStrengthMg, highestStrengthMg, units.Mg)
	if err != nil {
		return content{}, err
	}
	return content{
		strengthMg: strength, counted: true, disagrees: p.ATC != "" && !contains && !may,
		text: "counted with the stated strength of paracetamol",
	}, nil
}

// doses lists the intakes of a product, those of its plan included.
func (p Product) doses(field string) ([]Dose, error) {
	for i, d := range p.Doses {
		if err := d.check(field + " " + fieldOf("dose", i)); err != nil {
			return nil, err
		}
	}
	if p.Plan == nil {
		return p.Doses, nil
	}
	field += " plan"
	for _, part := range []struct {
		name      string
		value     int
		low, high float64
		unit      string
	}{
		{"start", p.Plan.Start, 0, lastMinute, units.Minute},
		{"times", p.Plan.Times, 1, mostTimes, units.One},
		{"every", p.Plan.Every, 1, lastMinute, units.Minute},
	} {
		if err := clinical.CheckRange(field+" "+part.name, float64(part.value), part.low, part.high, part.unit); err != nil {
			return nil, err
		}
	}
	if last := p.Plan.Start + (p.Plan.Times-1)*p.Plan.Every; last > lastMinute {
		return nil, &clinical.Error{
			Code: clinical.OutOfRange, Field: field + " times", Message: "the last intake of the plan is too late",
			Accepted: []string{fmt.Sprintf("plans that end by minute %d", lastMinute)},
		}
	}
	all := slices.Clone(p.Doses)
	for i := range p.Plan.Times {
		d := Dose{Minute: p.Plan.Start + i*p.Plan.Every, Count: p.Plan.Count}
		if err := d.check(field); err != nil {
			return nil, err
		}
		all = append(all, d)
	}
	return all, nil
}

func (d Dose) check(field string) error {
	if err := clinical.CheckRange(field+" minute", float64(d.Minute), 0, lastMinute, units.Minute); err != nil {
		return err
	}
	switch {
	case math.IsNaN(d.Count) || math.IsInf(d.Count, 0):
		return &clinical.Error{Code: clinical.NotFinite, Field: field + " count", Message: "the value is not a finite number"}
	case d.Count <= 0:
		return &clinical.Error{Code: clinical.NotPositive, Field: field + " count", Message: "the value must be greater than zero"}
	case d.Count > highestCount:
		return &clinical.Error{
			Code: clinical.OutOfRange, Field: field + " count", Message: "the value is outside the plausible range",
			Accepted: []string{fmt.Sprintf("up to %d unit doses", highestCount)},
		}
	}
	return nil
}

// capLimit is the cap of a person in mg and why it holds. Known is false when a
// lower cap may hold, of lowerMg, which is zero when none is stated.
type capLimit struct {
	capMg, lowerMg float64
	known          bool
	reasons        []clinical.Reason
}

// limitOf returns the cap of the person.
func (in ParacetamolInput) limitOf(rules ParacetamolRules) (capLimit, error) {
	if err := clinical.CheckAnswer("liver disease", in.LiverDisease); err != nil {
		return capLimit{}, err
	}
	limit := capLimit{capMg: amount(rules.Cap * mgPerG), lowerMg: amount(rules.LowerCap * mgPerG)}
	add := func(weight clinical.Weight, text string) {
		limit.reasons = append(limit.reasons, clinical.Reason{Text: text, Weight: weight, Source: practice})
	}
	lower := false
	lowest := clinical.Display(rules.LowWeight, 0) + " kg"
	if in.Weight.Given() {
		weight, err := in.Weight.Within("weight", units.Weight, lowestWeightKg, highestWeightKg, units.Kilogram)
		if err != nil {
			return capLimit{}, err
		}
		if weight < rules.LowWeight {
			lower = true
			add(clinical.Supports, "weight below "+lowest+": the lower cap holds")
		} else {
			add(clinical.Neutral, "weight not below "+lowest)
		}
	} else {
		add(clinical.NotKnown, "weight was not recorded; below "+lowest+" a lower cap holds")
	}
	switch in.LiverDisease {
	case clinical.Yes:
		lower = true
		add(clinical.Supports, "liver disease: the lower cap holds")
	case clinical.No:
		add(clinical.Neutral, "no liver disease")
	default:
		add(clinical.NotKnown, "liver disease was not recorded; with it a lower cap holds")
	}
	if !lower {
		limit.known = in.Weight.Given() && in.LiverDisease != clinical.NotRecorded
		return limit, nil
	}
	if rules.LowerCap == 0 {
		return capLimit{}, &clinical.Error{
			Code: clinical.Missing, Field: "lower cap",
			Message: "the person has a low weight or liver disease, and the programme has not stated its lower cap",
		}
	}
	limit.capMg, limit.known = limit.lowerMg, true
	return limit, nil
}

// addCap records the cap with the facts that it stands on.
func (p *ParacetamolTotal) addCap(in ParacetamolInput, rules ParacetamolRules, limit capLimit) {
	p.Cap = clinical.Result{
		Value:    units.Quantity{Value: limit.capMg / mgPerG, Unit: units.Gram},
		Equation: "paracetamol-cap", Source: practice,
	}
	p.Cap.AddInput("cap of the programme", clinical.NewMeasurement(rules.Cap, units.Gram))
	if rules.LowerCap > 0 {
		p.Cap.AddInput("lower cap of the programme", clinical.NewMeasurement(rules.LowerCap, units.Gram))
	}
	if in.Weight.Given() {
		p.Cap.AddInput("weight", in.Weight)
	}
	p.Cap.AddChoice("liver disease", string(in.LiverDisease))
}

// largestDay returns the largest total in mg of any 24 h, the earliest if several
// are alike. A window that starts with an intake is enough: any other holds no
// more. It is open at its end.
func largestDay(intakes []intake) (Window, float64) {
	var window Window
	var most float64
	for i, first := range intakes {
		var sum float64
		last := first
		for _, next := range intakes[i:] {
			if next.minute-first.minute >= minutesADay {
				break
			}
			sum += next.mg
			last = next
		}
		if sum > most {
			window, most = Window{First: first.minute, Last: last.minute}, sum
		}
	}
	return window, most
}

// takenBefore returns the mg taken in the 24 h that end with a minute.
func takenBefore(intakes []intake, minute int) float64 {
	var sum float64
	for _, taken := range intakes {
		if minute-taken.minute < minutesADay {
			sum += taken.mg
		}
	}
	return sum
}

func anyUnknown(contents []content) bool {
	return slices.ContainsFunc(contents, func(c content) bool { return c.unknown })
}

func (p *ParacetamolTotal) judge(mg float64, limit capLimit, contents []content) {
	total, capG := p.Value.Value, p.Cap.Value.Value
	text := "the largest total of 24 h is " + clinical.Display(total, decimals) + " g, the cap " + clinical.Display(capG, decimals) + " g"
	weight := clinical.Decides
	switch {
	case mg > limit.capMg:
		p.Conclusion.Answer = Exceeds
	case anyUnknown(contents):
		p.Conclusion.Answer = CannotTell
		weight = clinical.Neutral
	case !limit.known && mg > limit.lowerMg:
		p.Conclusion.Answer = CannotTell
		weight = clinical.Neutral
	case mg == limit.capMg:
		p.Conclusion.Answer = AtCap
	default:
		p.Conclusion.Answer = WithinCap
	}
	caps := []float64{capG}
	if !limit.known {
		text += ", unless the lower cap holds"
		if limit.lowerMg > 0 {
			caps = append(caps, limit.lowerMg/mgPerG)
			text += ", " + clinical.Display(limit.lowerMg/mgPerG, decimals) + " g"
		}
	}
	p.Conclusion.AddReason(weight, practice, text)
	for _, c := range caps {
		if clinical.NearThreshold(total, clinical.MoreThan, c, decimals) || clinical.NearThreshold(total, clinical.AtLeast, c, decimals) {
			p.Conclusion.Warn(clinical.NearThresholdWarning, "the total is shown as the cap but is not equal to it")
		}
	}
	for i, c := range contents {
		name := fieldOf("product", i)
		if c.unknown {
			p.Conclusion.AddReason(clinical.NotKnown, whoATC, name+": "+c.text)
			p.Warn(ContentNotKnown, "whether %s holds paracetamol is not known; it is not in the total", name)
			continue
		}
		p.Conclusion.AddReason(clinical.Neutral, whoATC, name+": "+c.text)
		if c.disagrees {
			p.Warn(CodeDisagrees, "%s has a strength of paracetamol but a code without it; it is counted, check the entry", name)
		}
	}
}

// warnShortPlans warns of plans that may not show the total of a day.
func (p *ParacetamolTotal) warnShortPlans(in ParacetamolInput, contents []content) {
	for i, product := range in.Products {
		if plan := product.Plan; plan != nil && contents[i].counted && plan.Times*plan.Every < minutesADay {
			p.Warn(PlanTooShort, "the plan of %s covers less than 24 h; if it goes on, the largest total may be higher", fieldOf("product", i))
		}
	}
}

// decimals of an amount in g, as shown: whole milligrams.
const decimals = 3

func (p *ParacetamolTotal) checkIntervals(intakes []intake, contents []content, shortest int) {
	tooShort := 0
	for i, taken := range intakes {
		if i > 0 && taken.minute-intakes[i-1].minute < shortest {
			tooShort++
		}
	}
	if tooShort == 0 {
		weight, text := clinical.Neutral, fmt.Sprintf("no two intakes are closer than %d min", shortest)
		if anyUnknown(contents) {
			weight, text = clinical.NotKnown, fmt.Sprintf("no two counted intakes are closer than %d min; those of products that may hold paracetamol were not looked at", shortest)
		}
		p.Conclusion.AddReason(weight, practice, text)
		return
	}
	weight := clinical.Neutral
	if p.Conclusion.Answer == WithinCap || p.Conclusion.Answer == AtCap {
		weight = clinical.Opposes
	}
	text := fmt.Sprintf("%d interval(s) between intakes are shorter than %d min", tooShort, shortest)
	p.Conclusion.AddReason(weight, practice, text)
	p.Conclusion.Warn(IntervalTooShort, "%s", text)
}

// The UCUM annotations for a unit dose, such as a tablet, and for an intake.
const (
	unitDose   = "{dose}"
	unitIntake = "{intake}"
)

func (in ParacetamolInput) describe(r *clinical.Result) {
	for i, product := range in.Products {
		name := fieldOf("product", i)
		r.Inputs = append(r.Inputs, clinical.Input{Name: name, Choice: product.ATC, Measurement: clinical.Measurement{Ref: product.Ref}})
		if product.Strength.Given() {
			r.AddInput(name+" strength", product.Strength)
		}
		for i, d := range product.Doses {
			dose := name + " " + fieldOf("dose", i)
			r.AddInput(dose+" minute", clinical.NewMeasurement(float64(d.Minute), units.Minute))
			r.AddInput(dose+" count", clinical.NewMeasurement(d.Count, unitDose))
		}
		if plan := product.Plan; plan != nil {
			r.AddInput(name+" plan start", clinical.NewMeasurement(float64(plan.Start), units.Minute))
			r.AddInput(name+" plan every", clinical.NewMeasurement(float64(plan.Every), units.Minute))
			r.AddInput(name+" plan times", clinical.NewMeasurement(float64(plan.Times), unitIntake))
			r.AddInput(name+" plan count", clinical.NewMeasurement(plan.Count, unitDose))
		}
	}
	if in.Weight.Given() {
		r.AddInput("weight", in.Weight)
	}
	r.AddChoice("liver disease", string(in.LiverDisease))
	if in.NextDose.Given() {
		r.AddInput("next dose", in.NextDose)
	}
}

// addNext sets what remains after the last intake and when a further dose of
// next mg is allowed, where next is not zero.
func (p *ParacetamolTotal) addNext(intakes []intake, next, capMg float64, shortest int) {
	var last, earliest int
	if n := len(intakes); n > 0 {
		last = intakes[n-1].minute
		earliest = last + shortest
	}
	p.Remaining = &clinical.Result{
		Value:    units.Quantity{Value: max(amount(capMg-takenBefore(intakes, last)), 0) / mgPerG, Unit: units.Gram},
		Equation: "paracetamol-remaining-24h", Source: practice, Inputs: p.Inputs,
	}
	if next == 0 {
		return
	}
	// The sum of the last 24 h falls only when an intake is 24 h old.
	times := []int{earliest}
	for _, taken := range intakes {
		if t := taken.minute + minutesADay; t > earliest {
			times = append(times, t)
		}
	}
	for _, t := range times {
		if amount(takenBefore(intakes, t)+next) <= capMg {
			p.NextAllowed = &clinical.Result{
				Value:    units.Quantity{Value: float64(t), Unit: units.Minute},
				Equation: "paracetamol-next-dose", Source: practice, Inputs: p.Inputs,
			}
			return
		}
	}
}
