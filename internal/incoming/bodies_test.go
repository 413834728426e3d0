package incoming_test

import "candidacy/internal/command"

// The commands that lead a candidate to the evaluation.
var (
	assignAdvocate = command.AssignAdvocate{Advocate: "adva"}
	consent        = command.RecordConsent{Requirement: "consent-evaluation"}
	plain          = command.Plain{}
)
