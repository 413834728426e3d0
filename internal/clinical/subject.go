package clinical

import "slices"

// Sex is the sex used by the laboratory's equations, which have two sets of
// coefficients. Where the recorded sex is another or unknown, compute with each
// of Sexes and show both; nothing here assumes one.
type Sex string

// The two values of Sex.
const (
	Female Sex = "female"
	Male   Sex = "male"
)

// Sexes lists the values of Sex.
func Sexes() []Sex { return []Sex{Female, Male} }

// CheckSex returns an *Error unless sex is one of Sexes.
func CheckSex(field string, sex Sex) error {
	if slices.Contains(Sexes(), sex) {
		return nil
	}
	if sex == "" {
		return &Error{Code: Missing, Field: field, Message: "the sex used by the equation is required", Accepted: Words(Sexes())}
	}
	return &Error{Code: UnknownChoice, Field: field, Message: "the equation has coefficients for two sexes; compute and show both when another or none is recorded", Accepted: Words(Sexes())}
}

// The ages, in completed years, for which the adult equations are used. The
// upper limit only catches slips of the keyboard.
const (
	LowestAge  = 18
	HighestAge = 120
)

// CheckAge returns an *Error unless age, in completed years at the date of the
// sample, is that of an adult.
func CheckAge(field string, age int) error {
	if age >= LowestAge && age <= HighestAge {
		return nil
	}
	return &Error{
		Code: NotValidAge, Field: field,
		Message:  "the equation holds for adults, by completed years at the date of the sample",
		Accepted: []string{"18 to 120 a"},
	}
}

// Answer is what was recorded to a yes-or-no question.
type Answer string

// The values of Answer. The zero value means that nothing was recorded.
const (
	NotRecorded Answer = ""
	Yes         Answer = "yes"
	No          Answer = "no"
)

// CheckAnswer returns an *Error when answer is none of the three values.
func CheckAnswer(field string, answer Answer) error {
	switch answer {
	case NotRecorded, Yes, No:
		return nil
	}
	return &Error{
		Code: UnknownChoice, Field: field, Message: "the answer is not known",
		Accepted: []string{string(Yes), string(No), "empty when not recorded"},
	}
}
