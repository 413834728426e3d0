package web

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// upload puts a file into a control, as the browser's own dialogue does.
func (s *screen) upload(id, file string) {
	s.t.Helper()
	must(s.t, chromedp.Do(s.ctx, chromedp.SetUploadFiles("#"+id, []string{file})))
}

// TestBrowserAmbulatory brings a file in and records it, with the keyboard.
func TestBrowserAmbulatory(t *testing.T) {
	program := chromium(t)
	w := newWorld(t, nil)
	id := w.refer("Ottilie", "Fjellgren", "1979-05-02", "female", "WEB-0211", "")
	w.evaluate(id)
	w.day("2026-09-16")
	path := "/candidates/" + id + "/worksheets/ambulatory-pressure"
	file := filepath.Join(t.TempDir(), "monitor.csv")
	must(t, os.WriteFile(file, []byte(aDay([2]int{128, 76}, [2]int{108, 62}, "49;15.09.2026;08:00;70;90", "50;15.09.2026;08:30;0;0", "51;15.09.2026;09:00;abc;70")), 0o600))
	s := newScreen(t, program, w.site.URL)
	s.signIn("clem")
	s.open(path)
	s.look("ambulatory-empty", path)
	s.focus("ambulatory-send")
	s.submit("\r")
	s.check("ambulatory-refused")
	s.upload("ambulatory-csv", file)
	s.focus("ambulatory-send")
	s.submit("\r")
	if said := s.text("main"); !strings.Contains(said, "columns parted by a semicolon") || !strings.Contains(said, "128.0 / 76.0 mmHg") {
		t.Errorf("the page says %s", said)
	}
	here := eval[string](s, `location.pathname + location.search`)
	s.look("ambulatory-read", here)
	s.focus("ambulatory-record")
	s.submit("\r")
	if problem := s.text(".errors"); !strings.Contains(problem, "can't be read") {
		t.Errorf("unreadable lines: %s", problem)
	}
	s.check("ambulatory-errors")
	s.focus("ambulatory-unreadable")
	s.keys(" ")
	s.focus("ambulatory-record")
	s.submit("\r")
	if notice := s.text(".notice"); !strings.Contains(notice, "recorded") {
		t.Errorf("the notice is %q; %s", notice, s.text(".errors"))
	}
	s.check("ambulatory-recorded")
	s.open("/candidates/" + id)
	if !strings.Contains(s.text("section:has(#results)"), "Ambulatory blood pressure, day mean") {
		t.Error("the candidate's page lacks the means")
	}
}
