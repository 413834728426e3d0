package journey

import "strings"

// RefusalCode classifies why a command was not accepted.
type RefusalCode string

// The codes of a refusal.
const (
	// Invalid: a field of the command is missing or wrong.
	Invalid RefusalCode = "invalid"
	// Forbidden: the role may not give this command.
	Forbidden RefusalCode = "forbidden"
	// NotAllowed: the command does not exist in the current stage.
	NotAllowed RefusalCode = "stage-not-allowed"
	// Blocked: the stage is right but a rule of the process is not satisfied.
	Blocked RefusalCode = "blocked"
	// Conflict: the idempotency key was used with another body.
	Conflict RefusalCode = "conflict"
	// NotFound: there is no such candidate.
	NotFound RefusalCode = "not-found"
)

// Refusal is the one error of the process. It holds ids and fixed words only,
// so that it may be shown, logged and kept in a history.
type Refusal struct {
	Code    RefusalCode `json:"code"`
	Message string      `json:"message"`
	Field   string      `json:"field,omitempty"`
	// Accepted lists what the field takes.
	Accepted []string `json:"accepted,omitempty"`
	// Allowed lists the commands that the role may give now.
	Allowed []Kind `json:"allowed,omitempty"`
	// Reasons lists each rule that is not satisfied.
	Reasons []Reason `json:"reasons,omitempty"`
}

// Reason is one rule that blocks a command.
type Reason struct {
	Rule        string `json:"rule"`
	Requirement string `json:"requirement,omitempty"`
	Message     string `json:"message"`
}

// Error renders the refusal in one line.
func (r *Refusal) Error() string {
	var b strings.Builder
	b.WriteString(r.Message)
	if len(r.Accepted) > 0 {
		b.WriteString("; accepted: " + strings.Join(r.Accepted, ", "))
	}
	for _, reason := range r.Reasons {
		b.WriteString("; " + reason.Message)
	}
	if r.Code == NotAllowed {
		if len(r.Allowed) == 0 {
			b.WriteString("; nothing is allowed now")
		} else {
			names := make([]string, len(r.Allowed))
			for i, kind := range r.Allowed {
				names[i] = string(kind)
			}
			b.WriteString("; allowed now: " + strings.Join(names, ", "))
		}
	}
	return b.String()
}

func invalid(field, message string, accepted ...string) *Refusal {
	return &Refusal{Code: Invalid, Field: field, Message: field + ": " + message, Accepted: accepted}
}

func blocked(kind Kind, reasons []Reason) *Refusal {
	return &Refusal{Code: Blocked, Message: string(kind) + " is blocked", Reasons: reasons}
}

// Words are codes as plain text, for a message that lists what is accepted.
func Words[T ~string](list []T) []string {
	words := make([]string, len(list))
	for i, each := range list {
		words[i] = string(each)
	}
	return words
}
