package web

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"candidacy/internal/demo"
	"candidacy/internal/journey"
)

// process is the program as it is shipped, on one folder and one address.
type process struct {
	t                     *testing.T
	binary, data, address string
	cmd                   *exec.Cmd
	done                  chan error
}

// newProcess builds the program. It takes the same address each time that it starts:
// what a browser keeps belongs to an address.
func newProcess(t *testing.T) *process {
	t.Helper()
	p := &process{t: t, binary: filepath.Join(t.TempDir(), "candidacy"), data: t.TempDir()}
	if out, err := exec.Command("go", "build", "-o", p.binary, "candidacy/cmd/candidacy").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	p.address = free.Addr().String()
	must(t, free.Close())
	t.Cleanup(func() {
		if p.cmd != nil {
			p.kill()
		}
	})
	return p
}

// start serves the demonstration, and returns when it is ready.
func (p *process) start() {
	p.t.Helper()
	p.cmd, p.done = exec.Command(p.binary, "demo", "--data", p.data, "--listen", p.address), make(chan error, 1)
	out, err := p.cmd.StdoutPipe()
	must(p.t, err)
	must(p.t, p.cmd.Start())
	ready, lines := false, bufio.NewScanner(out)
	for !ready && lines.Scan() {
		ready = strings.HasPrefix(lines.Text(), "Ready: ")
	}
	go func() {
		_, _ = io.Copy(io.Discard, out)
		p.done <- p.cmd.Wait()
	}()
	if !ready {
		p.t.Fatalf("the program did not become ready: %v", <-p.done)
	}
}

// kill ends the process as a power cut would.
func (p *process) kill() {
	p.t.Helper()
	must(p.t, p.cmd.Process.Kill())
	<-p.done
	p.cmd = nil
}

// TestBrowserKilled kills the program in the middle of a questionnaire and of a form: what
// was said to be saved is there afterwards, and the browser has kept the rest.
func TestBrowserKilled(t *testing.T) {
	program := chromium(t)
	p := newProcess(t)
	p.start()
	s := newScreen(t, program, "http://"+p.address)
	k := keyboard{s}

	// A questionnaire. Each answer is saved as it is given.
	path, born, err := demo.HalfWay()
	must(t, err)
	s.open(path)
	k.write("born-day", strings.TrimPrefix(string(born[8:]), "0"))
	k.write("born-month", strings.TrimPrefix(string(born[5:7]), "0"))
	k.write("born-year", string(born[:4]))
	k.enter("main form button")
	part := eval[string](s, `location.pathname`)
	revision := func() string { return eval[string](s, `document.getElementById("revision").value`) }
	saved := func(was string) {
		t.Helper()
		s.until("the saving", fmt.Sprintf(`document.getElementById("revision").value !== %q`, was))
	}
	was := revision()
	k.to(`#questions input[type=radio]:not(:checked)`)
	k.press("Space")
	first := eval[string](s, `document.activeElement.id`)
	saved(was)
	// The connection is lost, and comes back: the next answer brings this one along.
	was = revision()
	s.online(false)
	k.to(fmt.Sprintf(`#questions input[type=radio]:not(:checked, [name=%q])`, eval[string](s, `document.activeElement.name`)))
	k.press("Space")
	s.online(true)
	k.press("ArrowDown")
	second := eval[string](s, `document.activeElement.id`)
	saved(was)
	p.kill()
	k.to(fmt.Sprintf(`#questions input[type=radio]:not(:checked, [name=%q])`, eval[string](s, `document.activeElement.name`)))
	k.press("Space")
	third := eval[string](s, `document.activeElement.id`)
	p.start()
	checked := func(id string) bool {
		return eval[bool](s, fmt.Sprintf(`document.getElementById(%q).checked`, id))
	}
	if !checked(third) {
		t.Error("the browser has lost the answer that could not be saved")
	}
	was = revision()
	k.press("ArrowDown")
	third = eval[string](s, `document.activeElement.id`)
	saved(was)
	s.open(part)
	for _, id := range []string{first, second, third} {
		if !checked(id) {
			t.Errorf("%s is lost", id)
		}
	}

	// A form of the staff.
	k.enters("coordinator")
	s.open("/?show=all")
	home := eval[string](s, `[...document.querySelectorAll("#board tbody th a")].find(a => a.textContent.includes("Fictborne"))?.pathname ?? ""`)
	s.open(home)
	k.unfold("note")
	k.choose("note-kind", "Telephone")
	k.write("note-text", "Prefers to be called after four.")
	k.done("note-text")
	k.unfold(string(journey.Hold))
	k.write(fieldOf(journey.Hold, "note"), "Travels until January.")
	p.kill()
	// There is no answer, and the browser says so.
	if _, err := chromedp.RunResponse(s.ctx, chromedp.Evaluate[chromedp.Void](`document.activeElement.form.requestSubmit()`)); err == nil {
		t.Error("a program that is gone has answered")
	}
	p.start()
	s.open(home)
	s.until("what was typed", `document.querySelector(".kept")`)
	if got := eval[string](s, `document.getElementById("hold-note").value`); got != "Travels until January." {
		t.Errorf("the form holds %q", got)
	}
	if !strings.Contains(s.text("main"), "Prefers to be called after four.") {
		t.Error("the note that was kept is lost")
	}
	k.done(fieldOf(journey.Hold, "note"))
	if stage := s.text(".lead strong"); stage != "On hold" {
		t.Errorf("the candidate is in the stage %s", stage)
	}
}

// beside is another person's browser at the same site.
func (s *screen) beside(t *testing.T) *screen {
	t.Helper()
	ctx, cancel := chromedp.NewContext(s.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	other := &screen{t: t, ctx: ctx, site: s.site, axe: s.axe}
	_, err := chromedp.Run(ctx, chromedp.Evaluate[chromedp.Void]("1"))
	must(t, err)
	other.size(1280)
	return other
}
