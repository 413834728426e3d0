package web

import (
	"slices"

	"candidacy/internal/journey"
)

// pages lists the other pages of a candidate that are open to the viewer, in the order
// in which they are looked for. A new page of a candidate gets its line here. A donor
// whose recovery is planned has a page of it.
func (s scene) pages(recovers bool) []option {
	home, role := "/candidates/"+s.candidate.ID, s.viewer.Role
	var list []option
	add := func(roles []journey.Role, to, label string) {
		if slices.Contains(roles, role) {
			list = append(list, option{home + to, label})
		}
	}
	add(readers, "/results", "Results over time")
	add(visitReaders, "/visits", "Visits")
	add(readers, "/documents", "Documents")
	add(writers, "/committee", "Committee's summary")
	add(noters, "/evaluation-summary", "Evaluation summary")
	add(letterWriters, "/letters", "Letters")
	if ownRoom(s.viewer, s.candidate) {
		add(writers, "/advocate", "Advocate's room")
	}
	if stated(s.candidate.State) {
		add(stating, "/statement", "Statement for outsiders")
	}
	if recovers {
		add(readers, "/recovery-plan", "Recovery plan")
	}
	return append(list, s.worksheets()...)
}
