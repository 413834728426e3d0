// Package laterality computes the volume of a kidney and the split of function
// between the two kidneys, and lists what speaks for donating the left or the
// right one. It suggests, with every consideration in order; the surgeon and the
// radiologist decide. The principle is that the better kidney stays with the
// donor.
package laterality

import (
	"math"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// Axes are the three diameters of a kidney.
type Axes struct {
	Length    clinical.Measurement `json:"length" jsonschema:"longest diameter in cm or mm"`
	Width     clinical.Measurement `json:"width" jsonschema:"width in cm or mm"`
	Thickness clinical.Measurement `json:"thickness" jsonschema:"thickness in cm or mm"`
}

// Plausible sizes of a kidney, in cm and mL. They only catch slips of entry such
// as mm given as cm; common practice, no published source.
const (
	lowestLengthCm, highestLengthCm = 4, 20
	lowestAcrossCm, highestAcrossCm = 1.5, 12
	lowestVolumeML, highestVolumeML = 20, 800
)

// The factor of an ellipsoid is pi / 6.
const sixths = 6

// EllipsoidVolume returns the volume of a kidney in mL as that of an ellipsoid:
// pi/6 times length times width times thickness. It returns a *clinical.Error
// for an axis that is missing, not positive, a length outside 4 to 20 cm, and a
// width or thickness outside 1.5 to 12 cm. Source: geometry.
func EllipsoidVolume(a Axes) (clinical.Result, error) {
	length, err := a.Length.Within("length", units.KidneyLength, lowestLengthCm, highestLengthCm, units.Centimetre)
	if err != nil {
		return clinical.Result{}, err
	}
	width, err := a.Width.Within("width", units.KidneyLength, lowestAcrossCm, highestAcrossCm, units.Centimetre)
	if err != nil {
		return clinical.Result{}, err
	}
	thickness, err := a.Thickness.Within("thickness", units.KidneyLength, lowestAcrossCm, highestAcrossCm, units.Centimetre)
	if err != nil {
		return clinical.Result{}, err
	}
	r := clinical.Result{
		Value:    units.Quantity{Value: math.Pi / sixths * length * width * thickness, Unit: units.ML},
		Equation: "kidney-volume-ellipsoid", Source: "volume of an ellipsoid",
	}
	r.AddInput("length", a.Length)
	r.AddInput("width", a.Width)
	r.AddInput("thickness", a.Thickness)
	return r, nil
}

// Split is how the function, or the volume, is divided between the kidneys. Its
// Value is the share of the left kidney in %. Difference is left minus right in
// percentage points.
type Split struct {
	clinical.Result
	Left       float64 `json:"left"`
	Right      float64 `json:"right"`
	Difference float64 `json:"difference"`
}

const wholePercent = 100

// newSplit divides 100 % in proportion to two positive numbers.
func newSplit(left, right float64, equation, source string) Split {
	s := Split{Left: wholePercent * left / (left + right), Right: wholePercent * right / (left + right)}
	s.Difference = wholePercent * (left - right) / (left + right)
	s.Result = clinical.Result{Value: units.Quantity{Value: s.Left, Unit: units.Percent}, Equation: equation, Source: source}
	s.AddStep("share of the right kidney", s.Right, units.Percent)
	s.AddStep("difference, left minus right, in percentage points", s.Difference, units.Percent)
	return s
}

// SplitFromVolumes returns the share of each kidney in the volume of both. It
// returns a *clinical.Error for a volume that is missing, not positive, or
// outside 20 to 800 mL. Source: proportion of the volumes.
func SplitFromVolumes(left, right clinical.Measurement) (Split, error) {
	leftML, err := left.Within("left volume", units.KidneyVolume, lowestVolumeML, highestVolumeML, units.ML)
	if err != nil {
		return Split{}, err
	}
	rightML, err := right.Within("right volume", units.KidneyVolume, lowestVolumeML, highestVolumeML, units.ML)
	if err != nil {
		return Split{}, err
	}
	s := newSplit(leftML, rightML, "split-volume", "proportion of the volumes")
	s.AddInput("left volume", left)
	s.AddInput("right volume", right)
	return s, nil
}

// Counts are the counts over each kidney in the anterior and the posterior view
// of a static scintigraphy, corrected for background.
type Counts struct {
	LeftAnterior   float64 `json:"leftAnterior" jsonschema:"background-corrected counts, left kidney, anterior view"`
	LeftPosterior  float64 `json:"leftPosterior" jsonschema:"background-corrected counts, left kidney, posterior view"`
	RightAnterior  float64 `json:"rightAnterior" jsonschema:"background-corrected counts, right kidney, anterior view"`
	RightPosterior float64 `json:"rightPosterior" jsonschema:"background-corrected counts, right kidney, posterior view"`
}

// PosteriorDisagrees is the warning that the posterior view alone would have
// shown the other kidney as the stronger one.
const PosteriorDisagrees clinical.WarningCode = "posterior-view-disagrees"

// highestCounts only catches slips of entry; common practice, no published
// source.
const highestCounts = 1e9

// unitCounts is the UCUM annotation for counts.
const unitCounts = "{counts}"

// SplitFromScintigraphy returns the share of each kidney in the function from
// the geometric mean of its anterior and posterior counts, which makes up for
// kidneys that lie at different depths. Both views are required: a split from
// the posterior view alone is refused, and appears only as a step for
// comparison. It returns a *clinical.Error for counts that are not finite, zero,
// negative or above 1e9. Source: Weinberger, Case Rep Nephrol Urol 2014 (abstract).
func SplitFromScintigraphy(c Counts) (Split, error) {
	views := []struct {
		name  string
		value float64
	}{
		{"left anterior counts", c.LeftAnterior}, {"left posterior counts", c.LeftPosterior},
		{"right anterior counts", c.RightAnterior}, {"right posterior counts", c.RightPosterior},
	}
	for _, v := range views {
		switch {
		case math.IsNaN(v.value) || math.IsInf(v.value, 0):
			return Split{}, &clinical.Error{Code: clinical.NotFinite, Field: v.name, Message: "the counts are not a finite number"}
		case v.value <= 0:
			return Split{}, &clinical.Error{
				Code: clinical.NotPositive, Field: v.name,
				Message: "the counts after correction for background must be greater than zero; both views are required, one alone is wrong for kidneys at different depths",
			}
		case v.value > highestCounts:
			return Split{}, &clinical.Error{Code: clinical.OutOfRange, Field: v.name, Message: "the counts are outside the plausible range"}
		}
	}
	left := math.Sqrt(c.LeftAnterior * c.LeftPosterior)
	right := math.Sqrt(c.RightAnterior * c.RightPosterior)
	s := newSplit(left, right, "split-geometric-mean-2014", "Weinberger, Case Rep Nephrol Urol 2014 (abstract)")
	for _, v := range views {
		s.AddInput(v.name, clinical.NewMeasurement(v.value, unitCounts))
	}
	posterior := wholePercent * c.LeftPosterior / (c.LeftPosterior + c.RightPosterior)
	s.AddStep("geometric mean, left", left, unitCounts)
	s.AddStep("geometric mean, right", right, unitCounts)
	s.AddStep("share of the left kidney in the posterior view alone, for comparison", posterior, units.Percent)
	if (c.LeftPosterior-c.RightPosterior)*s.Difference < 0 {
		s.Warn(PosteriorDisagrees, "the posterior view alone would have shown the other kidney as the stronger one")
	}
	return s, nil
}
