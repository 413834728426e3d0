package fhir

import (
	"slices"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// US Core 6.1.0 profiles of Observations. One is declared only where the resource
// has every element that it demands, which a test reads again.
const (
	usCore = "http://hl7.org/fhir/us/core/StructureDefinition/"

	profileLab            = usCore + "us-core-observation-lab"
	profileClinicalResult = usCore + "us-core-observation-clinical-result"
	profileVitalSigns     = usCore + "us-core-vital-signs"
	profileBloodPressure  = usCore + "us-core-blood-pressure"
	profileBodyHeight     = usCore + "us-core-body-height"
	profileBodyWeight     = usCore + "us-core-body-weight"
	profileBMI            = usCore + "us-core-bmi"
)

// vitalSigns are the profiles of one vital sign, by its LOINC code, with the
// units that they allow.
var vitalSigns = map[string]struct {
	profile string
	units   []string
}{
	"8302-2":  {profileBodyHeight, []string{"cm", "[in_i]"}},
	"29463-7": {profileBodyWeight, []string{"kg", "g", "[lb_av]"}},
	"39156-5": {profileBMI, []string{"kg/m2"}},
}

// observationProfile is the profile that the Observation conforms to, empty where
// it conforms to none.
func observationProfile(o r4.Observation) string {
	category, code := "", ""
	if len(o.Category) > 0 && len(o.Category[0].Coding) > 0 {
		category = value(o.Category[0].Coding[0].Code)
	}
	if len(o.Code.Coding) > 0 && value(o.Code.Coding[0].System) == systemLOINC {
		code = value(o.Code.Coding[0].Code)
	}
	said := o.ValueQuantity != nil || o.ValueCodeableConcept != nil || o.ValueString != nil || o.DataAbsentReason != nil ||
		len(o.Component) > 0 || len(o.HasMember) > 0
	dated := o.EffectiveDateTime != nil || o.EffectivePeriod != nil
	switch {
	case !said || !dated || o.Subject == nil:
		return ""
	case category == "laboratory":
		return profileLab
	case category == "imaging":
		return profileClinicalResult
	case category != "vital-signs":
		return ""
	case code == "85354-9":
		if hasPressure(o, "8480-6") && hasPressure(o, "8462-4") {
			return profileBloodPressure
		}
		return ""
	}
	if sign, ok := vitalSigns[code]; ok {
		if q := o.ValueQuantity; q != nil && slices.Contains(sign.units, value(q.Code)) {
			return sign.profile
		}
	}
	return profileVitalSigns
}

// hasPressure reports whether the component is there once, in mmHg or with the
// reason why not.
func hasPressure(o r4.Observation, code string) bool {
	n := 0
	for i := range o.Component {
		c := &o.Component[i]
		if len(c.Code.Coding) == 0 || value(c.Code.Coding[0].Code) != code {
			continue
		}
		if n++; c.DataAbsentReason == nil && (c.ValueQuantity == nil || value(c.ValueQuantity.Code) != "mm[Hg]") {
			return false
		}
	}
	return n == 1
}

func observationMeta(o r4.Observation) string {
	profile := observationProfile(o)
	if profile == "" {
		return ""
	}
	return `"profile":["` + profile + `"]`
}
