package renal

import (
	"math"
	"slices"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Marker is a substance that is filtered and neither secreted nor reabsorbed.
// The zero value is iohexol. The equations are the same for all of them.
type Marker string

// The markers of a plasma clearance.
const (
	Iohexol        Marker = "iohexol"
	ChromiumEDTA   Marker = "51Cr-EDTA"
	TechnetiumDTPA Marker = "99mTc-DTPA"
)

// Markers lists the markers, the default first.
func Markers() []Marker { return []Marker{Iohexol, ChromiumEDTA, TechnetiumDTPA} }

func (m Marker) orDefault() Marker {
	if m == "" {
		return Iohexol
	}
	return m
}

func (m Marker) check() error {
	if slices.Contains(Markers(), m.orDefault()) {
		return nil
	}
	return &clinical.Error{
		Code: clinical.UnknownChoice, Field: "marker", Message: "the marker is not known",
		Accepted: clinical.Words(Markers()),
	}
}

func (m Marker) radioactive() bool { return m.orDefault() != Iohexol }

// halfLifeHours is the physical half-life. From memory: nuclear data tables.
func (m Marker) halfLifeHours() float64 {
	switch m {
	case ChromiumEDTA:
		return 27.70 * 24
	case TechnetiumDTPA:
		return 6.0067
	}
	return math.Inf(1)
}

// Count rates outside these limits are a slip of entry. Common practice, no
// published source.
const (
	lowestDosePerMin, highestDosePerMin   = 1e5, 1e12
	lowestPlasmaPerMin, highestPlasmaRate = 1, 1e7
)

// amount returns the dose in ug of iohexol, or in counts a minute.
func (m Marker) amount(field string, dose clinical.Measurement) (float64, error) {
	if m.radioactive() {
		return dose.Within(field, units.CountRate, lowestDosePerMin, highestDosePerMin, units.PerMinute)
	}
	mg, err := dose.Within(field, units.IohexolDose, LowestDoseMg, HighestDoseMg, units.Mg)
	return mg * 1000, err
}

// concentration returns ug/mL of iohexol, or counts a minute in 1 mL.
func (m Marker) concentration(field string, c clinical.Measurement) (float64, error) {
	if m.radioactive() {
		return c.Within(field, units.PlasmaCountRate, lowestPlasmaPerMin, highestPlasmaRate, units.PerMinutePerML)
	}
	return c.Within(field, units.PlasmaIohexol, lowestIohexolUgPerML, highestIohexolUgPerML, units.UgPerML)
}

func (m Marker) unitOfConcentration() string {
	if m.radioactive() {
		return units.PerMinutePerML
	}
	return units.UgPerML
}

// CountInput is one count of a radioactive marker in 1 mL.
type CountInput struct {
	Marker Marker `json:"marker" jsonschema:"51Cr-EDTA or 99mTc-DTPA"`
	// Gross and Background are count rates in 1 mL, with and without marker.
	Gross      clinical.Measurement `json:"gross" jsonschema:"count rate of 1 mL of the sample, in /min/mL or /s/mL"`
	Background clinical.Measurement `json:"background" jsonschema:"count rate of the background for the same volume, in /min/mL or /s/mL"`
	// After is how long after the reference time the sample was counted.
	After clinical.Measurement `json:"after" jsonschema:"time from the common reference time to the count, in min, h or d"`
}

// NetCountRate returns the count rate of 1 mL in /min/mL at the reference time:
// less the background, and corrected for decay until the count. It returns a
// *clinical.Error for a marker that is not radioactive, an invalid count, and
// for counts that do not exceed the background. Source: law of radioactive
// decay; half-lives from memory (nuclear data tables).
func NetCountRate(in CountInput) (clinical.Result, error) {
	if err := in.Marker.checkRadioactive(); err != nil {
		return clinical.Result{}, err
	}
	gross, err := in.Gross.In("gross count rate", units.PlasmaCountRate, units.PerMinutePerML)
	if err != nil {
		return clinical.Result{}, err
	}
	background, err := orZero(in.Background, "background count rate", units.PlasmaCountRate, units.PerMinutePerML)
	if err != nil {
		return clinical.Result{}, err
	}
	if background >= gross {
		return clinical.Result{}, &clinical.Error{
			Code: clinical.NotPositive, Field: "gross count rate", Message: "the count does not exceed the background",
		}
	}
	hours, err := orZero(in.After, "time of the count", units.Duration, units.Hour)
	if err != nil {
		return clinical.Result{}, err
	}
	if err := clinical.CheckRange("time of the count", hours, 0, mostHalfLives*in.Marker.halfLifeHours(), units.Hour); err != nil {
		return clinical.Result{}, err
	}
	factor := math.Exp(math.Ln2 * hours / in.Marker.halfLifeHours())
	r := clinical.Result{
		Value:    units.Quantity{Value: (gross - background) * factor, Unit: units.PerMinutePerML},
		Equation: "net-count-rate-decay-corrected",
		Source:   "law of radioactive decay; half-lives from memory (nuclear data tables)",
	}
	if err := checkPositive("net count rate", r.Value.Value); err != nil {
		return clinical.Result{}, err
	}
	r.AddChoice("marker", string(in.Marker))
	r.AddInput("gross count rate", in.Gross)
	r.AddInput("background count rate", in.Background)
	r.AddInput("time of the count after the reference time", in.After)
	r.AddStep("net count rate", gross-background, units.PerMinutePerML)
	r.AddStep("factor for decay", factor, units.One)
	return r, nil
}

// mostHalfLives: what is counted later has decayed to a thousandth.
const mostHalfLives = 10

// orZero returns a value that may be zero, as no background and no delay are.
func orZero(m clinical.Measurement, field string, analyte units.Analyte, unit string) (float64, error) {
	if m.Value == 0 && slices.Contains(units.Accepted(analyte), m.Unit) {
		return 0, nil
	}
	return m.In(field, analyte, unit)
}

func (m Marker) checkRadioactive() error {
	if m == ChromiumEDTA || m == TechnetiumDTPA {
		return nil
	}
	return &clinical.Error{
		Code: clinical.UnknownChoice, Field: "marker", Message: "the marker is missing or not radioactive",
		Accepted: []string{string(ChromiumEDTA), string(TechnetiumDTPA)},
	}
}

// StandardInput is a dose of a radioactive marker counted by a diluted
// standard: a weighed part of the same solution, made up to a volume.
type StandardInput struct {
	// NetRate is the count rate of 1 mL of the diluted standard at the
	// reference time: see NetCountRate.
	NetRate clinical.Measurement `json:"netRate" jsonschema:"net count rate of 1 mL of the diluted standard at the reference time, in /min/mL or /s/mL"`
	// Dilution is the volume to which the standard was made up.
	Dilution clinical.Measurement `json:"dilution" jsonschema:"volume to which the standard was made up, in mL or L"`
	// Injected and InStandard are the masses of solution, by weighing.
	Injected   clinical.Measurement `json:"injected" jsonschema:"mass of solution injected, in mg or g"`
	InStandard clinical.Measurement `json:"inStandard" jsonschema:"mass of solution put into the standard, in mg or g"`
}

// DoseFromStandard returns the dose of a radioactive marker in /min at the
// reference time: the rate of 1 mL of the standard times its volume times the
// mass injected over the mass in the standard. It returns a *clinical.Error for
// an input that is missing or not a positive number in its unit. Common
// practice, no published source.
func DoseFromStandard(in StandardInput) (clinical.Result, error) {
	rate, err := in.NetRate.In("net count rate of the standard", units.PlasmaCountRate, units.PerMinutePerML)
	if err != nil {
		return clinical.Result{}, err
	}
	volume, err := in.Dilution.In("dilution volume", units.UrineVolume, units.ML)
	if err != nil {
		return clinical.Result{}, err
	}
	injected, err := in.Injected.In("mass injected", units.MedicineDose, units.Mg)
	if err != nil {
		return clinical.Result{}, err
	}
	inStandard, err := in.InStandard.In("mass in the standard", units.MedicineDose, units.Mg)
	if err != nil {
		return clinical.Result{}, err
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: rate * volume * injected / inStandard, Unit: units.PerMinute},
		Equation: "marker-dose-from-standard",
		Source:   "ratio of weighed parts of one solution; common practice",
	}
	if err := checkPositive("dose", r.Value.Value); err != nil {
		return clinical.Result{}, err
	}
	r.AddInput("net count rate of the standard", in.NetRate)
	r.AddInput("dilution volume", in.Dilution)
	r.AddInput("mass injected", in.Injected)
	r.AddInput("mass in the standard", in.InStandard)
	return r, nil
}

// IohexolSolution names a solution by its iodine content in mg/mL.
type IohexolSolution string

// The solutions of iohexol.
const (
	Iohexol140 IohexolSolution = "140 mgI/mL"
	Iohexol180 IohexolSolution = "180 mgI/mL"
	Iohexol200 IohexolSolution = "200 mgI/mL"
	Iohexol240 IohexolSolution = "240 mgI/mL"
	Iohexol300 IohexolSolution = "300 mgI/mL"
	Iohexol350 IohexolSolution = "350 mgI/mL"
)

// IohexolSolutions lists the solutions.
func IohexolSolutions() []IohexolSolution {
	return []IohexolSolution{Iohexol140, Iohexol180, Iohexol200, Iohexol240, Iohexol300, Iohexol350}
}

// mgPerML is the iohexol in 1 mL, in mg. Source: open-source code for iohexol
// GFR after the EKFC recommendations (Ebert, Kidney Int 2024).
func (s IohexolSolution) mgPerML() (float64, error) {
	switch s {
	case Iohexol140:
		return 302, nil
	case Iohexol180:
		return 388, nil
	case Iohexol200:
		return 431, nil
	case Iohexol240:
		return 518, nil
	case Iohexol300:
		return 647, nil
	case Iohexol350:
		return 755, nil
	}
	return 0, &clinical.Error{
		Code: clinical.UnknownChoice, Field: "solution", Message: "the solution is missing or not known", Accepted: clinical.Words(IohexolSolutions()),
	}
}

// IohexolDoseInput is a dose of iohexol, by volume or by weighing the syringe.
type IohexolDoseInput struct {
	Solution IohexolSolution `json:"solution" jsonschema:"iodine content of the solution, such as 300 mgI/mL"`
	// Volume is the volume injected. Leave it out when the syringe was weighed.
	Volume clinical.Measurement `json:"volume,omitzero" jsonschema:"volume injected, in mL; leave it out when the syringe was weighed"`
	// FullSyringe and EmptySyringe are the masses before and after injection,
	// and Density that of the solution at the temperature of injection.
	FullSyringe  clinical.Measurement `json:"fullSyringe,omitzero" jsonschema:"mass of the syringe before the injection, in g or mg"`
	EmptySyringe clinical.Measurement `json:"emptySyringe,omitzero" jsonschema:"mass of the syringe after the injection, in g or mg"`
	Density      clinical.Measurement `json:"density,omitzero" jsonschema:"density of the solution, in g/mL"`
}

// Density of a solution of iohexol in g/mL outside these limits is a slip of
// entry. Common practice, no published source.
const lowestDensity, highestDensity = 1, 1.6

// IohexolDose returns the iohexol given, in mg: the volume injected times the
// iohexol in 1 mL. The volume is given, or is the mass that left the syringe
// over the density. It returns a *clinical.Error for an unknown solution, for
// neither or both of the two ways, a full syringe not heavier than the empty
// one, a density outside 1 to 1.6 g/mL, and a dose outside 100 to 20 000 mg.
// Source: beside the content of the solutions.
func IohexolDose(in IohexolDoseInput) (clinical.Result, error) {
	content, err := in.Solution.mgPerML()
	if err != nil {
		return clinical.Result{}, err
	}
	volume, err := in.millilitres()
	if err != nil {
		return clinical.Result{}, err
	}
	dose := volume * content
	if err := clinical.CheckRange("dose", dose, LowestDoseMg, HighestDoseMg, units.Mg); err != nil {
		return clinical.Result{}, err
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: dose, Unit: units.Mg},
		Equation: "iohexol-dose",
		Source:   "volume times content; content of the solutions from open-source code after Ebert, Kidney Int 2024",
	}
	r.AddChoice("solution", string(in.Solution))
	if in.Volume.Given() {
		r.AddInput("volume injected", in.Volume)
	} else {
		r.AddInput("full syringe", in.FullSyringe)
		r.AddInput("empty syringe", in.EmptySyringe)
		r.AddInput("density", in.Density)
	}
	r.AddStep("volume injected", volume, units.ML)
	r.AddStep("iohexol in the solution", content, "mg/mL")
	return r, nil
}

func (in IohexolDoseInput) millilitres() (float64, error) {
	weighed := in.FullSyringe.Given() || in.EmptySyringe.Given() || in.Density.Given()
	if in.Volume.Given() == weighed {
		return 0, &clinical.Error{
			Code: clinical.Missing, Field: "volume", Message: "the dose is known by one way",
			Accepted: []string{"the volume injected", "the masses of the full and the empty syringe, and the density"},
		}
	}
	if in.Volume.Given() {
		return in.Volume.In("volume", units.UrineVolume, units.ML)
	}
	full, err := in.FullSyringe.In("full syringe", units.MedicineDose, units.Gram)
	if err != nil {
		return 0, err
	}
	empty, err := in.EmptySyringe.In("empty syringe", units.MedicineDose, units.Gram)
	if err != nil {
		return 0, err
	}
	if empty >= full {
		return 0, &clinical.Error{Code: clinical.WrongOrder, Field: "full syringe", Message: "the full syringe must be heavier than the empty one"}
	}
	density, err := in.Density.Within("density", units.Density, lowestDensity, highestDensity, units.GramPerML)
	if err != nil {
		return 0, err
	}
	return (full - empty) / density, nil
}
