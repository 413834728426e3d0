package laterality

import (
	"fmt"
	"math"
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Side is a side of the body.
type Side string

// The sides. The empty side means neither.
const (
	Left  Side = "left"
	Right Side = "right"
)

// CystClass is the most complex cyst of a kidney.
type CystClass string

// The classes of cysts, rising.
const (
	NoCyst     CystClass = "none"
	SimpleCyst CystClass = "simple" // Bosniak I
	Bosniak2   CystClass = "bosniak-2"
	Bosniak2F  CystClass = "bosniak-2f"
	Bosniak3   CystClass = "bosniak-3"
	Bosniak4   CystClass = "bosniak-4"
)

// CystClasses lists the classes of cysts, rising.
func CystClasses() []CystClass {
	return []CystClass{NoCyst, SimpleCyst, Bosniak2, Bosniak2F, Bosniak3, Bosniak4}
}

func (c CystClass) atLeast(other CystClass) bool {
	return slices.Index(CystClasses(), c) >= slices.Index(CystClasses(), other)
}

// SplitMethod tells how a reported split function was measured.
type SplitMethod string

// The methods of a split.
const (
	GeometricMean SplitMethod = "geometric-mean"
	PosteriorOnly SplitMethod = "posterior-only"
)

// SplitMethods lists the methods of a split.
func SplitMethods() []SplitMethod { return []SplitMethod{GeometricMean, PosteriorOnly} }

// Kidney is what is recorded about one kidney. What is left empty was not
// recorded; no stone is recorded as zero stones.
type Kidney struct {
	Split          clinical.Measurement `json:"split,omitzero" jsonschema:"share of this kidney in the function, in %"`
	Volume         clinical.Measurement `json:"volume,omitzero" jsonschema:"volume in mL or cm3"`
	Stones         *int                 `json:"stones,omitempty" jsonschema:"number of stones, 0 when there is none"`
	LargestStone   clinical.Measurement `json:"largestStone,omitzero" jsonschema:"largest stone in mm or cm"`
	Cysts          CystClass            `json:"cysts,omitzero" jsonschema:"most complex cyst: none, simple, bosniak-2, bosniak-2f, bosniak-3 or bosniak-4"`
	OtherLesion    clinical.Answer      `json:"otherLesion,omitzero" jsonschema:"yes or no: another lesion or a scar, of the vessels included"`
	PreExisting    clinical.Answer      `json:"preExisting,omitzero" jsonschema:"yes or no: an earlier disease or injury that makes this kidney the worse one"`
	Arteries       int                  `json:"arteries,omitzero" jsonschema:"number of arteries, 1 to 6"`
	Veins          int                  `json:"veins,omitzero" jsonschema:"number of veins, 1 to 6"`
	Ureters        int                  `json:"ureters,omitzero" jsonschema:"number of ureters, 1 to 6"`
	EarlyBranching clinical.Answer      `json:"earlyBranching,omitzero" jsonschema:"yes or no: an artery branches close to the aorta"`
}

// Input is both kidneys of a candidate. GFR, optional, is used only for what
// would remain.
type Input struct {
	Left        Kidney               `json:"left" jsonschema:"the left kidney"`
	Right       Kidney               `json:"right" jsonschema:"the right kidney"`
	SplitMethod SplitMethod          `json:"splitMethod,omitzero" jsonschema:"method of the split: geometric-mean or posterior-only"`
	GFR         clinical.Measurement `json:"gfr,omitzero" jsonschema:"GFR in mL/min or mL/min/{1.73_m2}"`
}

// SplitRule tells what the limit of the split is a percentage of.
type SplitRule string

// The definitions of the limit, which are ambiguous in the texts.
const (
	// Points: the difference of the two shares in percentage points. A limit of
	// 10 means a share outside 45 to 55 %.
	Points SplitRule = "points"
	// OneKidneyPercent: the difference of the two shares in percent of the
	// stronger kidney's. A limit of 10 means a weaker kidney below 90 % of the
	// stronger, a share outside 47.4 to 52.6 %.
	OneKidneyPercent SplitRule = "one-kidney-percent"
)

// SplitRules lists the definitions of the limit.
func SplitRules() []SplitRule { return []SplitRule{Points, OneKidneyPercent} }

// Rules are the choices of a programme.
type Rules struct {
	SplitRule        SplitRule `json:"splitRule" jsonschema:"points or one-kidney-percent"`
	SplitLimit       float64   `json:"splitLimit" jsonschema:"a larger difference than this means the weaker kidney is donated"`
	CountSimpleCysts bool      `json:"countSimpleCysts,omitzero" jsonschema:"whether a simple cyst counts as a lesion"`
	PreferLeft       bool      `json:"preferLeft" jsonschema:"whether the left kidney is preferred for its longer vein when nothing else separates them"`
	MostArteries     int       `json:"mostArteries" jsonschema:"a kidney with more arteries than this is not suggested; the committee has to see it"`
	LargestStone     float64   `json:"largestStoneMm" jsonschema:"size in mm above which a single stone is no longer small"`
}

// DefaultRules returns the rules of the project: a limit of 10 percentage points
// (from memory: guideline of the British Transplantation Society and Renal
// Association 2018, and practice of centres), simple cysts not counted, the left
// kidney preferred, up to 3 arteries (common practice, no published source), a
// small stone up to 3 mm (from memory: BTS/RA guideline 2018 and KDIGO 2017).
// Within the accepted range the split had no important effect on recovery
// (Glasgow 2025, abstract).
func DefaultRules() Rules {
	return Rules{SplitRule: Points, SplitLimit: 10, PreferLeft: true, MostArteries: 3, LargestStone: 3}
}

// The answers of a suggestion.
const (
	DonateLeft     = "donate-left"
	DonateRight    = "donate-right"
	SurgeonDecides = "surgeon-decides"
)

// The warnings of a suggestion.
const (
	// SuggestionOnly: always present.
	SuggestionOnly clinical.WarningCode = "suggestion-only"
	// CommitteeMustSee: a finding that belongs before the committee, whichever
	// side is suggested.
	CommitteeMustSee clinical.WarningCode = "committee-must-see"
	// LesionStays: the kidney that would stay with the donor has a lesion.
	LesionStays clinical.WarningCode = "lesion-stays-with-donor"
	// SplitAndVolumeDisagree: the stronger kidney is not the larger one.
	SplitAndVolumeDisagree clinical.WarningCode = "split-and-volume-disagree"
	// VolumeSplitUsed: no split function was recorded, the volumes were used.
	VolumeSplitUsed clinical.WarningCode = "volume-split-used"
	// SplitMethodNotRecorded: whether the split is from both views is not known.
	SplitMethodNotRecorded clinical.WarningCode = "split-method-not-recorded"
	// SplitNotWhole: the reported shares do not add up to 100 %, and brought to
	// 100 % they lie on another side of the limit.
	SplitNotWhole clinical.WarningCode = "split-not-whole"
)

// Suggestion is a suggested side. Split is the split of the function that was
// used, brought to 100 %, or nil when it is not known. Remaining holds the GFR that would remain
// after donating the left and the right kidney, in this order; it is empty when
// the GFR or the split is not known.
type Suggestion struct {
	clinical.Conclusion
	Split     *Split      `json:"split,omitempty"`
	Remaining []Remaining `json:"remaining,omitempty"`
}

// Remaining is the GFR that the kidney staying with the donor has now, in the
// unit of the GFR given. It counts no compensation.
type Remaining struct {
	Donated Side `json:"donated"`
	clinical.Result
}

// Plausible values; they only catch slips of entry. Common practice, no
// published source.
const (
	highestCount                  int = 6
	highestStones                 int = 50
	lowestStoneMm, highestStoneMm     = 0.5, 100
	lowestGFR, highestGFR             = 5, 250
	highestLimit                      = 50
	splitTolerance                    = 1 // two shares may each be rounded
)

const (
	splitSource    = "from memory: BTS/RA guideline 2018, practice of centres"
	practiceSource = "common practice, no published source"
)

// consideration is one thing that was weighed: the side that it speaks for
// donating, or neither, or that it is not known.
type consideration struct {
	text   string
	source string
	side   Side
	known  bool
}

// assessment collects what was weighed. The consideration that decides each rank
// is kept by its place in the list.
type assessment struct {
	list     []consideration
	warnings []clinical.Warning
	split    *Split // what the function of each kidney is taken from

	function, lesion, arteries, preference   int
	contradiction, excluding, methodNotKnown bool
}

func (a *assessment) add(c consideration) int {
	a.list = append(a.list, c)
	return len(a.list) - 1
}

func (a *assessment) warn(code clinical.WarningCode, format string, args ...any) {
	a.warnings = append(a.warnings, clinical.Warning{Code: code, Message: fmt.Sprintf(format, args...)})
}

// Suggest suggests which kidney to donate, or that the surgeon decides, with
// everything that was weighed, in order:
//
//  1. the split function, or the volumes where it is missing: beyond the limit
//     the weaker kidney is donated;
//  2. within the limit, the only kidney with a stone, a complex cyst, another
//     lesion or an earlier disease is donated;
//  3. then the kidney with fewer arteries;
//  4. then the left, for its longer vein.
//
// Veins, ureters and early branching are listed and never decide. The surgeon
// decides when function, lesions or, where they decide, arteries are not fully
// recorded, when a split of which the method is not recorded would decide, when
// split and volume are beyond the limit in opposite directions, with stones in
// both kidneys, with a Bosniak III or IV cyst, and when the kidney that would be
// donated has too many arteries; the committee has to see these findings first.
// Shares that add up to nearly 100 % are compared as reported. It is a suggestion: the surgeon and the
// radiologist decide.
//
// It returns a *clinical.Error for a split of one kidney only, shares that do
// not add up to 100 % within 1, a split from the posterior view alone, values
// outside their plausible range, a size without a stone, an unknown choice, and
// rules that are not valid. Sources: beside DefaultRules for rank 1; common
// practice for the others; principle from memory of KDIGO 2017.
func Suggest(in Input, rules Rules) (Suggestion, error) {
	if err := rules.check(); err != nil {
		return Suggestion{}, err
	}
	if err := in.check(); err != nil {
		return Suggestion{}, err
	}
	var a assessment
	a.warn(SuggestionOnly, "this is a suggestion from the recorded facts; the surgeon and the radiologist decide")
	if err := a.weighFunction(in, rules); err != nil {
		return Suggestion{}, err
	}
	if err := a.weighLesions(in, rules); err != nil {
		return Suggestion{}, err
	}
	a.weighAnatomy(in, rules)

	s := Suggestion{Conclusion: clinical.Conclusion{
		Question: "which kidney could be donated, so that the better one stays with the donor",
		Rule:     "laterality-order-2018", Source: splitSource + "; " + practiceSource,
	}}
	in.describe(&s.Conclusion)
	a.conclude(&s.Conclusion, in, rules)
	remaining, err := in.remaining(a.split)
	if err != nil {
		return Suggestion{}, err
	}
	s.Split, s.Remaining = a.split, remaining
	s.Warnings = a.warnings
	return s, nil
}

func (r Rules) check() error {
	if err := clinical.CheckChoice("split rule", r.SplitRule, SplitRules()); err != nil {
		return err
	}
	if !(r.SplitLimit > 0 && r.SplitLimit <= highestLimit) {
		return &clinical.Error{
			Code: clinical.OutOfRange, Field: "split limit", Message: "the value is outside the plausible range",
			Accepted: []string{fmt.Sprintf("above 0, up to %d", highestLimit)},
		}
	}
	if err := clinical.CheckRange("largest stone", r.LargestStone, lowestStoneMm, highestStoneMm, units.Millimetre); err != nil {
		return err
	}
	return clinical.CheckRange("most arteries", float64(r.MostArteries), 1, float64(highestCount), units.One)
}

func (in Input) check() error {
	if in.SplitMethod != "" {
		if err := clinical.CheckChoice("split method", in.SplitMethod, SplitMethods()); err != nil {
			return err
		}
	}
	if err := in.Left.check(string(Left)); err != nil {
		return err
	}
	return in.Right.check(string(Right))
}

func (k Kidney) check(side string) error {
	for _, c := range k.counts() {
		// Zero means that the number was not recorded.
		if err := clinical.CheckRange(side+" "+c.name, float64(c.number), 0, float64(highestCount), units.One); err != nil {
			return err
		}
	}
	for _, a := range k.answers() {
		if err := clinical.CheckAnswer(side+" "+a.name, a.answer); err != nil {
			return err
		}
	}
	if k.Cysts != "" {
		if err := clinical.CheckChoice(side+" cysts", k.Cysts, CystClasses()); err != nil {
			return err
		}
	}
	if k.Stones != nil {
		if err := clinical.CheckRange(side+" stones", float64(*k.Stones), 0, float64(highestStones), units.One); err != nil {
			return err
		}
	}
	if k.LargestStone.Given() && !k.hasStones() {
		return &clinical.Error{Code: clinical.Missing, Field: side + " stones", Message: "a size is given, so the number of stones is required"}
	}
	return nil
}

type count struct {
	name   string
	number int
}

func (k Kidney) counts() []count {
	return []count{{"arteries", k.Arteries}, {"veins", k.Veins}, {"ureters", k.Ureters}}
}

type answer struct {
	name   string
	answer clinical.Answer
}

func (k Kidney) answers() []answer {
	return []answer{{"other lesion", k.OtherLesion}, {"pre-existing difference", k.PreExisting}, {"early branching", k.EarlyBranching}}
}

func (k Kidney) hasStones() bool { return k.Stones != nil && *k.Stones > 0 }

// lesions reports whether the kidney has a lesion that counts, and whether all
// that could be one was recorded.
func (k Kidney) lesions(rules Rules) (present, known bool) {
	present = k.hasStones() || k.cystCounts(rules) || k.OtherLesion == clinical.Yes || k.PreExisting == clinical.Yes
	known = k.Stones != nil && k.Cysts != "" && k.OtherLesion != clinical.NotRecorded && k.PreExisting != clinical.NotRecorded
	return present, known
}

func (k Kidney) cystCounts(rules Rules) bool {
	return k.Cysts.atLeast(Bosniak2) || rules.CountSimpleCysts && k.Cysts == SimpleCyst
}

// onlyOne returns the side of which alone something holds.
func onlyOne(left, right bool) Side {
	switch {
	case left && !right:
		return Left
	case right && !left:
		return Right
	}
	return ""
}

// beyond returns the side of the weaker kidney when the difference is beyond the
// limit, and the difference in the words of the rule.
func (r Rules) beyond(s Split) (side Side, difference float64, text string) {
	difference = math.Abs(s.Difference)
	unit := "percentage points"
	if r.SplitRule == OneKidneyPercent {
		difference = wholePercent * difference / max(s.Left, s.Right)
		unit = "% of the stronger kidney"
	}
	text = fmt.Sprintf("left %s %%, right %s %%, a difference of %s %s",
		clinical.Display(s.Left, shownDecimals), clinical.Display(s.Right, shownDecimals), clinical.Display(difference, shownDecimals), unit)
	if difference > r.SplitLimit {
		return onlyOne(s.Left < s.Right, s.Right < s.Left), difference, text + ", beyond the limit"
	}
	return "", difference, text + ", within the limit"
}

const shownDecimals = 1

func (a *assessment) weighFunction(in Input, rules Rules) error {
	split, reported, err := in.splitFunction()
	if err != nil {
		return err
	}
	volume, err := in.splitVolume()
	if err != nil {
		return err
	}
	splitSide := a.weighSplit("split function", reported, "of both kidneys: not recorded", rules)
	a.function = len(a.list) - 1
	volumeSide := a.weighSplit("volume", volume, in.missingVolume(), rules)
	switch {
	case split == nil && volume != nil:
		a.split, a.function = volume, len(a.list)-1
		a.warn(VolumeSplitUsed, "no split function was recorded; the split of the volumes was used")
	case split != nil:
		a.split = split
		if whole, _, _ := rules.beyond(*split); whole != splitSide {
			a.warn(SplitNotWhole, "the shares do not add up to 100 %%; brought to 100 %% their difference lies on another side of the limit")
		}
		if in.SplitMethod == "" {
			a.methodNotKnown = true
			a.warn(SplitMethodNotRecorded, "whether the split is from both views was not recorded; the posterior view alone can be wrong")
		}
	}
	if split != nil && volume != nil {
		if split.Difference*volume.Difference < 0 {
			a.warn(SplitAndVolumeDisagree, "the kidney with more function is the smaller one; look at both measurements again")
		}
		a.contradiction = splitSide != "" && volumeSide != "" && splitSide != volumeSide
	}
	return nil
}

// weighSplit weighs a split, or says what is missing.
func (a *assessment) weighSplit(name string, s *Split, missing string, rules Rules) Side {
	if s == nil {
		a.add(consideration{text: name + " " + missing, source: splitSource})
		return ""
	}
	side, difference, text := rules.beyond(*s)
	a.add(consideration{text: name + ": " + text, source: splitSource, side: side, known: true})
	if clinical.NearThreshold(difference, clinical.MoreThan, rules.SplitLimit, shownDecimals) {
		a.warn(clinical.NearThresholdWarning, "the difference in %s is shown on another side of the limit than it lies", name)
	}
	return side
}

// missingVolume says of which kidneys the volume is missing.
func (in Input) missingVolume() string {
	if side := onlyOne(in.Left.Volume.Given(), in.Right.Volume.Given()); side != "" {
		return "of the " + string(side) + " kidney only, so that it cannot be compared"
	}
	return "of both kidneys: not recorded"
}

// splitFunction returns the split brought to 100 % and as it was reported, or
// nil when none is recorded.
func (in Input) splitFunction() (whole, reported *Split, err error) {
	if !in.Left.Split.Given() && !in.Right.Split.Given() {
		return nil, nil, nil
	}
	left, err := in.Left.Split.In("left split function", units.SplitFunction, units.Percent)
	if err != nil {
		return nil, nil, err
	}
	right, err := in.Right.Split.In("right split function", units.SplitFunction, units.Percent)
	if err != nil {
		return nil, nil, err
	}
	if math.Abs(left+right-wholePercent) > splitTolerance {
		return nil, nil, &clinical.Error{Code: clinical.OutOfRange, Field: "split function", Message: "the shares of the two kidneys do not add up to 100 %"}
	}
	if in.SplitMethod == PosteriorOnly {
		return nil, nil, &clinical.Error{
			Code: clinical.QualityRefused, Field: "split method",
			Message:  "a split from the posterior view alone can point to the wrong kidney when they lie at different depths",
			Accepted: []string{string(GeometricMean)},
		}
	}
	s := newSplit(left, right, "split-reported", "as reported")
	s.AddInput("left split function", in.Left.Split)
	s.AddInput("right split function", in.Right.Split)
	return &s, &Split{Left: left, Right: right, Difference: left - right}, nil
}

// splitVolume returns the split of the volumes, or nil when one is missing.
func (in Input) splitVolume() (*Split, error) {
	for _, k := range []struct {
		field  string
		volume clinical.Measurement
	}{{"left volume", in.Left.Volume}, {"right volume", in.Right.Volume}} {
		if !k.volume.Given() {
			continue
		}
		if _, err := k.volume.Within(k.field, units.KidneyVolume, lowestVolumeML, highestVolumeML, units.ML); err != nil {
			return nil, err
		}
	}
	if !in.Left.Volume.Given() || !in.Right.Volume.Given() {
		return nil, nil
	}
	s, err := SplitFromVolumes(in.Left.Volume, in.Right.Volume)
	if err != nil {
		return nil, err
	}
	return &s, nil
}

func (a *assessment) weighLesions(in Input, rules Rules) error {
	left, right := in.Left, in.Right
	leftStones, err := left.stonesText(Left)
	if err != nil {
		return err
	}
	rightStones, err := right.stonesText(Right)
	if err != nil {
		return err
	}
	both := func(name, l, r string, side Side, known bool) {
		a.add(consideration{text: fmt.Sprintf("%s: left %s, right %s", name, l, r), source: practiceSource, side: side, known: known})
	}
	both("stones", leftStones, rightStones, onlyOne(left.hasStones(), right.hasStones()), left.Stones != nil && right.Stones != nil)
	both("cysts", orNotRecorded(left.Cysts), orNotRecorded(right.Cysts), onlyOne(left.cystCounts(rules), right.cystCounts(rules)), left.Cysts != "" && right.Cysts != "")
	a.weighAnswers("another lesion or scar", left.OtherLesion, right.OtherLesion, clinical.Yes)
	a.weighAnswers("pre-existing difference", left.PreExisting, right.PreExisting, clinical.Yes)

	leftPresent, leftKnown := left.lesions(rules)
	rightPresent, rightKnown := right.lesions(rules)
	c := consideration{source: practiceSource, known: leftKnown && rightKnown}
	switch {
	case !c.known:
		c.text = "lesions: not fully recorded, so they cannot be compared"
	case leftPresent && rightPresent:
		c.text = "lesions: in both kidneys, so they do not separate them"
	case leftPresent || rightPresent:
		c.side = onlyOne(leftPresent, rightPresent)
		c.text = fmt.Sprintf("lesions: in the %s kidney only", c.side)
	default:
		c.text = "lesions: in neither kidney"
	}
	a.lesion = a.add(c)
	a.warnCommittee(Left, left, rules)
	a.warnCommittee(Right, right, rules)
	if left.hasStones() && right.hasStones() {
		a.excluding = true
		a.warn(CommitteeMustSee, "stones in both kidneys usually exclude donation")
	}
	return nil
}

// warnCommittee names what the committee has to see by the bands of the project
// (requirements: stones, cysts and masses). The size of a stone was checked.
func (a *assessment) warnCommittee(side Side, k Kidney, rules Rules) {
	if k.hasStones() {
		a.warn(CommitteeMustSee, "%s in the %s kidney", k.stonesBand(rules), side)
		if mm, _ := k.stoneSize(side); clinical.NearThreshold(mm, clinical.MoreThan, rules.LargestStone, shownDecimals) {
			a.warn(clinical.NearThresholdWarning, "the stone in the %s kidney is shown as the limit but is above it", side)
		}
	}
	switch {
	case k.Cysts.atLeast(Bosniak3):
		a.excluding = true
		a.warn(CommitteeMustSee, "a Bosniak III or IV cyst in the %s kidney usually excludes donation, unless it is decided to remove it with the kidney", side)
	case k.Cysts.atLeast(Bosniak2):
		a.warn(CommitteeMustSee, "a Bosniak II or IIF cyst in the %s kidney", side)
	}
	if k.OtherLesion == clinical.Yes {
		a.warn(CommitteeMustSee, "another lesion or a scar in the %s kidney; its kind and size decide", side)
	}
}

// stonesText says how many stones a kidney has and how large they are.
func (k Kidney) stonesText(side Side) (string, error) {
	if k.Stones == nil {
		return notRecorded, nil
	}
	if !k.hasStones() {
		return "none", nil
	}
	mm, err := k.stoneSize(side)
	if err != nil {
		return "", err
	}
	size := "size not recorded"
	if mm > 0 {
		size = "largest " + clinical.Display(mm, shownDecimals) + " mm"
	}
	return fmt.Sprintf("%d (%s)", *k.Stones, size), nil
}

// stoneSize returns the size of the largest stone in mm, zero when it was not
// recorded.
func (k Kidney) stoneSize(side Side) (float64, error) {
	if !k.LargestStone.Given() {
		return 0, nil
	}
	return k.LargestStone.Within(string(side)+" largest stone", units.LesionSize, lowestStoneMm, highestStoneMm, units.Millimetre)
}

// stonesBand says how the stones compare with a single small one.
func (k Kidney) stonesBand(rules Rules) string {
	limit := clinical.Display(rules.LargestStone, shownDecimals) + " mm"
	mm, _ := k.stoneSize("")
	switch {
	case *k.Stones > 1:
		return "several stones"
	case mm > rules.LargestStone:
		return "a stone above " + limit
	case mm > 0:
		return "a stone up to " + limit
	}
	return "a stone of unrecorded size"
}

const notRecorded = "not recorded"

func orNotRecorded[T ~string](text T) string {
	if text == "" {
		return notRecorded
	}
	return string(text)
}

// weighAnswers compares the answers to one question: the side that alone has the
// answer that speaks for donating it.
func (a *assessment) weighAnswers(name string, left, right, speaksFor clinical.Answer) {
	c := consideration{
		text:   fmt.Sprintf("%s: left %s, right %s", name, orNotRecorded(left), orNotRecorded(right)),
		source: practiceSource, known: left != clinical.NotRecorded && right != clinical.NotRecorded,
	}
	if c.known {
		c.side = onlyOne(left == speaksFor, right == speaksFor)
	}
	a.add(c)
}

func (a *assessment) weighAnatomy(in Input, rules Rules) {
	right := in.Right.counts()
	for i, left := range in.Left.counts() {
		c := consideration{source: practiceSource, known: left.number > 0 && right[i].number > 0}
		if c.known {
			c.text = fmt.Sprintf("%s: left %d, right %d", left.name, left.number, right[i].number)
			c.side = onlyOne(left.number < right[i].number, right[i].number < left.number)
		} else {
			c.text = left.name + ": not recorded for both kidneys"
		}
		if at := a.add(c); left.name == "arteries" {
			a.arteries = at
		}
	}
	a.weighAnswers("early branching of an artery", in.Left.EarlyBranching, in.Right.EarlyBranching, clinical.No)
	preference := consideration{text: "longer vein of the left kidney", source: practiceSource, side: Left, known: true}
	if !rules.PreferLeft {
		preference = consideration{text: "longer vein of the left kidney: the programme has no preference", source: practiceSource, known: true}
	}
	a.preference = a.add(preference)
	a.warnVessels(Left, in.Left, rules)
	a.warnVessels(Right, in.Right, rules)
}

// warnVessels names what the committee has to see by the bands of the project
// (requirements: renal anatomy).
func (a *assessment) warnVessels(side Side, k Kidney, rules Rules) {
	switch {
	case k.Arteries > rules.MostArteries:
		a.warn(CommitteeMustSee, "more than %d arteries of the %s kidney, which usually exclude its donation", rules.MostArteries, side)
	case k.Arteries > 1:
		a.warn(CommitteeMustSee, "%d arteries of the %s kidney", k.Arteries, side)
	}
	if k.Ureters > 1 {
		a.warn(CommitteeMustSee, "%d ureters of the %s kidney", k.Ureters, side)
	}
}

// conclude finds the answer and gives every consideration its weight.
func (a *assessment) conclude(c *clinical.Conclusion, in Input, rules Rules) {
	side, decides, why := a.decide()
	donated, kept := in.Right, in.Left
	if side == Left {
		donated, kept = in.Left, in.Right
	}
	if side != "" && donated.Arteries > rules.MostArteries {
		why = fmt.Sprintf("the %s kidney would be donated, but its number of arteries usually excludes that; the committee has to see it", side)
		side = ""
	}
	switch side {
	case Left:
		c.Answer = DonateLeft
	case Right:
		c.Answer = DonateRight
	default:
		c.Answer = SurgeonDecides
	}
	for i, w := range a.list {
		switch {
		case !w.known:
			c.AddReason(clinical.NotKnown, w.source, w.text)
		case w.side == "":
			c.AddReason(clinical.Neutral, w.source, w.text)
		case side != "" && i == decides:
			c.AddReason(clinical.Decides, w.source, w.text+"; speaks for donating the "+string(w.side))
		case w.side == side:
			c.AddReason(clinical.Supports, w.source, w.text+"; speaks for donating the "+string(w.side))
		default:
			c.AddReason(clinical.Opposes, w.source, w.text+"; speaks for donating the "+string(w.side))
		}
	}
	if side == "" {
		c.AddReason(clinical.Decides, practiceSource, why)
		return
	}
	if stronger := onlyOne(a.split.Difference > 0, a.split.Difference < 0); stronger == side {
		c.AddReason(clinical.Opposes, splitSource, fmt.Sprintf("the %s kidney, which would be donated, has the larger share; the difference is within the limit", side))
	}
	if present, _ := kept.lesions(rules); present {
		a.warn(LesionStays, "the kidney that would stay with the donor has a lesion, a stone or an earlier disease")
	}
}

// decide returns the side with the place of the consideration that decides it,
// or no side and why.
func (a *assessment) decide() (side Side, decides int, why string) {
	switch {
	case a.excluding:
		why = "a finding that usually excludes donation comes before the choice of a side; the committee has to see it"
	case !a.list[a.function].known:
		why = "the function of each kidney is not known, so no side is suggested"
	case a.contradiction:
		why = "split function and volume are beyond the limit in opposite directions, so no side is suggested"
	case !a.list[a.lesion].known:
		why = "lesions and stones are not fully recorded, so no side is suggested"
	case a.list[a.function].side != "" && a.methodNotKnown:
		why = "the split function would decide, but whether it is from both views was not recorded, so no side is suggested"
	case a.list[a.function].side != "":
		decides = a.function
	case a.list[a.lesion].side != "":
		decides = a.lesion
	case !a.list[a.arteries].known:
		why = "the arteries are not recorded for both kidneys, so no side is suggested"
	case a.list[a.arteries].side != "":
		decides = a.arteries
	case a.list[a.preference].side != "":
		decides = a.preference
	default:
		why = "nothing that was weighed separates the kidneys"
	}
	if why == "" {
		side = a.list[decides].side
	}
	return side, decides, why
}

func (in Input) describe(c *clinical.Conclusion) {
	for _, k := range []struct {
		side string
		Kidney
	}{{string(Left), in.Left}, {string(Right), in.Right}} {
		for _, m := range []struct {
			name string
			m    clinical.Measurement
		}{{"split function", k.Split}, {"volume", k.Volume}, {"largest stone", k.LargestStone}} {
			if m.m.Given() {
				c.AddInput(k.side+" "+m.name, m.m)
			}
		}
		if k.Stones != nil {
			c.AddChoice(k.side+" stones", fmt.Sprint(*k.Stones))
		}
		c.AddChoice(k.side+" cysts", string(k.Cysts))
		for _, n := range k.counts() {
			if n.number > 0 {
				c.AddChoice(k.side+" "+n.name, fmt.Sprint(n.number))
			}
		}
		for _, q := range k.answers() {
			c.AddChoice(k.side+" "+q.name, string(q.answer))
		}
	}
	c.AddChoice("split method", string(in.SplitMethod))
	if in.GFR.Given() {
		c.AddInput("GFR", in.GFR)
	}
}

// remaining returns what would remain after donating each kidney.
func (in Input) remaining(s *Split) ([]Remaining, error) {
	if !in.GFR.Given() {
		return nil, nil
	}
	analyte, unit := units.NormalisedGFR, units.MLPerMinPer173M2
	if in.GFR.Unit == units.MLPerMin {
		analyte, unit = units.AbsoluteGFR, units.MLPerMin
	}
	gfr, err := in.GFR.Within("GFR", analyte, lowestGFR, highestGFR, unit)
	if err != nil || s == nil {
		return nil, err
	}
	var list []Remaining
	for _, side := range []struct {
		donated Side
		share   float64
	}{{Left, s.Right}, {Right, s.Left}} {
		r := Remaining{Donated: side.donated, Result: clinical.Result{
			Value:    units.Quantity{Value: gfr * side.share / wholePercent, Unit: unit},
			Equation: "gfr-share-of-remaining-kidney", Source: "GFR times the share of the kidney that stays; no compensation",
		}}
		r.AddInput("GFR", in.GFR)
		r.AddStep("share of the kidney that stays ("+s.Equation+")", side.share, units.Percent)
		list = append(list, r)
	}
	return list, nil
}
