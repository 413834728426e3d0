package protocol

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"candidacy/internal/journey"
	"candidacy/internal/result"
)

// bloodTypeCode is the LOINC code of ABO and Rh group.
const bloodTypeCode = "882-1"

// typeOfCode reads the SNOMED CT finding of ABO and Rh group. The text that
// comes with a code has to say the same.
func typeOfCode(code string) (string, bool) {
	i := slices.IndexFunc(bloodAnswers, func(c result.Coding) bool { return c.Code == code })
	if i < 0 {
		return "", false
	}
	return bloodAnswers[i].Display, true
}

// BloodSample is one typed sample.
type BloodSample struct {
	Result   string
	Specimen string
	// Type is such as "O positive", empty when it can't be told.
	Type string
	// at is the instant of the draw, zero when only its day is known.
	at    time.Time
	day   string
	order string
}

// Agrees reports whether a type that somebody read back is the sample's.
func (s BloodSample) Agrees(text string) bool {
	typed := NormaliseBloodType(text)
	return typed != "" && typed == s.Type
}

// Collected is the instant of the draw in RFC 3339; noon of its day where only
// that is known.
func (s BloodSample) Collected() string {
	if s.at.IsZero() {
		return s.day + "T12:00:00Z"
	}
	return s.at.Format(time.RFC3339)
}

var bloodSigns = strings.NewReplacer("+", " POSITIVE ", "-", " NEGATIVE ", "(", " ", ")", " ", ",", " ")

// NormaliseBloodType reads an ABO and Rh group such as "O+", "o pos" or
// "AB Rh negative". It returns the empty string for anything else, for a group
// without Rh and for a weak or undetermined type.
func NormaliseBloodType(text string) string {
	text = bloodSigns.Replace(strings.ToUpper(text))
	var group, rh string
	for _, word := range strings.Fields(text) {
		switch word {
		case "O", "A", "B", "AB":
			if group != "" {
				return ""
			}
			group = word
		case "POS", "POSITIVE":
			if rh != "" {
				return ""
			}
			rh = "positive"
		case "NEG", "NEGATIVE":
			if rh != "" {
				return ""
			}
			rh = "negative"
		case "RH", "RHD", "D", "BLOOD", "GROUP", "TYPE":
		default:
			return ""
		}
	}
	if group == "" || rh == "" {
		return ""
	}
	return group + " " + rh
}

// BloodTypes lists the usable samples in order of collection, those of one draw
// included: each has to say the same.
func BloodTypes(results []result.Result) []BloodSample {
	var samples []BloodSample
	for i := range results {
		if r := &results[i]; r.Code.Code == bloodTypeCode && r.Status.Usable() {
			one := chart(r, &strings.Builder{})
			samples = append(samples, one.sample())
		}
	}
	sortSamples(samples)
	return samples
}

func (r *charted) sample() BloodSample {
	return BloodSample{Result: r.evidence, Specimen: r.Specimen, Type: typeOf(r.Value), at: r.instant, day: r.CollectedOn, order: r.order}
}

func sortSamples(samples []BloodSample) {
	slices.SortFunc(samples, func(a, b BloodSample) int {
		return cmp.Or(cmp.Compare(a.order, b.order), cmp.Compare(a.Result, b.Result))
	})
}

// typeOf reads a reported type. A text that contradicts its code is no type.
func typeOf(v result.Value) string {
	if v.Coding == nil {
		return NormaliseBloodType(v.Text)
	}
	byText := NormaliseBloodType(v.Coding.Display)
	byCode, known := typeOfCode(v.Coding.Code)
	switch {
	case byText != "" && (!known || byCode == byText):
		return byText
	case known && v.Coding.Display == "":
		return byCode
	default:
		return ""
	}
}

// agreement compares every sample. Two count as two only when they are of
// separate draws and carry different specimen numbers.
func agreement(samples []BloodSample) journey.Agreement {
	for _, s := range samples {
		if s.Type == "" || s.Type != samples[0].Type {
			return journey.Disagree
		}
	}
	if independent(samples) {
		return journey.Agree
	}
	return journey.Incomplete
}

// betweenDraws is how far apart two samples are at least if they are of separate
// draws. Policy names no minimum; an hour is common practice.
const betweenDraws = time.Hour

// apart reports whether two samples are of separate draws. Where one of them
// has a day and no time, another day is needed.
func (s BloodSample) apart(other BloodSample) bool {
	if s.at.IsZero() || other.at.IsZero() {
		return s.day != other.day
	}
	return s.at.Sub(other.at).Abs() >= betweenDraws
}

func independent(samples []BloodSample) bool {
	for i, a := range samples {
		for _, b := range samples[i+1:] {
			if a.apart(b) && a.Specimen != "" && b.Specimen != "" && a.Specimen != b.Specimen {
				return true
			}
		}
	}
	return false
}
