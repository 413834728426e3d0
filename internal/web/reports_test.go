package web

import (
	"strings"
	"testing"
	"time"

	"candidacy/internal/journey"
)

// reportPages records what has to be reported of a donor on 9 October 2026, lets
// its clock pass, and reports it.
func reportPages(t *testing.T, w *world, id string, post func(string, int, journey.Kind, ...string) answer, signOut func()) {
	t.Helper()
	moment := func(kind, date, clock string) []string { return []string{kind + "_date", date, kind + "_time", clock} }
	event := func(more ...string) []string {
		return append([]string{"event", "dialysis", "happened_on", "2026-10-08", "known_to", "ward"}, more...)
	}
	w.clock.set(time.Date(2026, 10, 9, 10, 0, 0, 0, w.protocol.Zone()))
	signOut() // an hour without use ended the sessions
	// Bad input names its question and records nothing.
	post("cora", 422, journey.ReportEvent, event()...).has(t, `href="#report-event-aware_date"`, "Nothing was recorded")
	post("cora", 422, journey.ReportEvent, event(moment("aware", "2026-10-09", "11:00")...)...).has(t, "in the future", `href="#report-event-aware_date"`)
	post("cora", 422, journey.ReportEvent, event(moment("aware", "2026-10-07", "11:00")...)...).has(t, "efore the day of the event")
	post("cora", 422, journey.ReportEvent, append([]string{"event", "dialysis", "happened_on", "2026-10-08", "known_to", "Wallingford"}, moment("aware", "2026-10-09", "08:00")...)...).has(t, "no such account")
	// The clocks skip from 2:00 to 3:00 on that day.
	post("cora", 422, journey.ReportEvent, event(moment("aware", "2026-03-29", "02:30")...)...).has(t, "no such time on that day")
	post("adva", 403, journey.ReportEvent, event()...)
	if strings.Contains(w.log.String(), "Wallingford") {
		t.Error("what was typed is in the log")
	}

	post("clem", 303, journey.ReportEvent, event(append(moment("aware", "2026-10-09", "08:00"), "note", "Told by the ward sister.")...)...)
	post("clem", 409, journey.ReportEvent, event(moment("aware", "2026-10-09", "08:00")...)...).has(t, "retract it first")
	page := w.as("cora").get("/candidates/" + id)
	page.has(t, "To be reported", "Dialysis of the donor, 70 hours left, until 12 Oct 2026, 08:00", `href="#close-report"`,
		"The ward, 9 Oct 2026, 08:00", "Clement Oduya, 9 Oct 2026, 10:00", "Told by the ward sister.", "Report is due: Dialysis of the donor, by 12 Oct 2026, 08:00")
	page = w.as("audi").get("/candidates/" + id)
	page.has(t, "Dialysis of the donor, 70 hours left")
	page.lacks(t, "Told by the ward sister.")
	w.as("clem").get("/").has(t, "You: Report it: Dialysis of the donor, 70 hours left")
	w.as("comm").get("/").has(t, "To be reported:", "70 hours left")
	w.as("cora").get("/reports").has(t, "1 to be reported", "Open, 70 hours left", "Fjellgren", "The ward, 9 Oct 2026, 08:00")
	page = w.as("audi").get("/reports")
	page.has(t, "1 to be reported")
	page.lacks(t, "Fjellgren")
	page = w.as("adil").get("/reports")
	page.has(t, "Nothing is waiting")
	page.lacks(t, "Dialysis")

	signOut() // their sessions have ended by then
	w.clock.set(time.Date(2026, 10, 12, 9, 30, 0, 0, w.protocol.Zone()))
	w.as("cora").get("/reports").has(t, "1 of them overdue", "overdue for 1 hour")
	post("cora", 422, journey.CloseReport, append(moment("reported", "2026-10-09", "07:59"), "report", "report-999")...).has(t, "no such report")
	found, err := w.store.Candidate(t.Context(), id)
	must(t, err)
	report := found.State.Reports[0].ID
	post("cora", 422, journey.CloseReport, append(moment("reported", "2026-10-09", "07:59"), "report", report)...).has(t, "before anybody knew")
	post("cora", 303, journey.CloseReport, append(moment("reported", "2026-10-12", "09:00"), "report", report, "reference", "SR-2026.114")...)
	page = w.as("cora").get("/candidates/" + id)
	page.has(t, "Reported 12 Oct 2026, 09:00, recorded by Cora Lindqvist, 1 hour late", "SR-2026.114")
	page.lacks(t, "To be reported", "Record that it was reported")
	w.as("cora").get("/reports").has(t, "Nothing is waiting to be reported", "late: 1")
}
