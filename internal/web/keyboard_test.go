package web

import (
	"fmt"
	"strings"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"candidacy/internal/demo"
	"candidacy/internal/journey"
)

// keyboard is somebody without a mouse: everything is reached, filled in and sent with
// keys. The page is asked where the focus is, and never told.
type keyboard struct{ *screen }

// mostTabs bounds how often Tab is pressed for one thing.
const mostTabs = 700

// to presses Tab until something has the focus, and goes around once where it stands
// further up.
func (k keyboard) to(selector string) {
	k.t.Helper()
	at := fmt.Sprintf(`!!document.activeElement && document.activeElement.matches(%q)`, selector)
	for range mostTabs {
		if eval[bool](k.screen, at) {
			return
		}
		k.press("Tab")
	}
	k.t.Fatalf("no key leads to %s at %s; there are %d", selector, eval[string](k.screen, `location.pathname`),
		eval[int](k.screen, fmt.Sprintf(`[...document.querySelectorAll(%q)].filter(e => e.checkVisibility()).length`, selector)))
}

// pressesFor is what somebody types into a control for a value: dates go in as day parts in
// the order in which the browser shows them.
func pressesFor(kind, value string) string {
	if kind == "date" && len(value) == len("2006-01-02") {
		return value[5:7] + value[8:10] + value[:4]
	}
	return value
}

// write types into the field with an id.
func (k keyboard) write(id, value string) {
	k.t.Helper()
	k.to("#" + id)
	must(k.t, chromedp.Do(k.ctx, chromedp.KeyEvent(pressesFor(eval[string](k.screen, `document.activeElement.type`), value))))
	if got := eval[string](k.screen, `document.activeElement.value`); got != value {
		k.t.Fatalf("%s holds %q after %q was typed", id, got, value)
	}
}

// choose types the beginning of one of a list's lines.
func (k keyboard) choose(id, label string) {
	k.t.Helper()
	k.to("#" + id)
	must(k.t, chromedp.Do(k.ctx, chromedp.KeyEvent(label)))
	if got := eval[string](k.screen, `document.activeElement.selectedOptions[0].textContent`); !strings.HasPrefix(got, label) {
		k.t.Fatalf("%s is at %q after %q was typed", id, got, label)
	}
}

// tick checks a box, or the first button of a group.
func (k keyboard) tick(id string) {
	k.t.Helper()
	k.to("#" + id)
	k.press("Space")
	if !eval[bool](k.screen, `document.activeElement.checked`) {
		k.t.Fatalf("%s is not checked", id)
	}
}

// pick goes into a group of buttons and with the arrows to one of them.
func (k keyboard) pick(id string) {
	k.t.Helper()
	group := eval[string](k.screen, fmt.Sprintf(`document.getElementById(%q)?.name ?? ""`, id))
	k.to(fmt.Sprintf("input[type=radio][name=%q]", group))
	k.press("Space")
	for range 40 {
		if eval[string](k.screen, `document.activeElement.id`) == id {
			return
		}
		must(k.t, chromedp.Do(k.ctx, chromedp.KeyEvent(kb.ArrowDown)))
	}
	k.t.Fatalf("the arrows do not lead to %s", id)
}

// unfold opens what a form is folded up in, from the outside in.
func (k keyboard) unfold(id string) {
	k.t.Helper()
	for range 3 {
		if !eval[bool](k.screen, fmt.Sprintf(`(() => { document.querySelectorAll("[data-next]").forEach(e => e.removeAttribute("data-next"));
			const within = []; for (let d = document.getElementById(%q)?.closest("details"); d; d = d.parentElement.closest("details")) within.unshift(d);
			const next = within.find(d => !d.open); if (!next) return false; next.querySelector("summary").setAttribute("data-next", ""); return true; })()`, id)) {
			return
		}
		k.to("[data-next]")
		k.press("Enter")
	}
}

// enter activates what has the focus, and waits for the page that comes.
func (k keyboard) enter(selector string) {
	k.t.Helper()
	k.to(selector)
	k.submit("\r")
}

// done sends the form that holds an element and expects it to be accepted.
func (k keyboard) done(id string) {
	k.t.Helper()
	k.enter(fmt.Sprintf(`form:has(#%[1]s) button[type=submit]:not([value=compute]), #%[1]s form button[type=submit]`, id))
	if k.text(".notice") == "" {
		k.t.Fatalf("%s is not accepted: %s", id, k.text(".errors"))
	}
}

// fill goes through a form from its first control to its button and answers everything:
// the first choice, yes to each box, and words where words are asked for.
func (k keyboard) fill(form, words string) {
	k.t.Helper()
	k.to(form + ` :is(input, select, textarea, button)`)
	for range mostTabs {
		switch at := eval[string](k.screen, fmt.Sprintf(`(e => !e.closest(%q) ? "outside" : e.tagName === "BUTTON" ? "button" : e.type === "radio" ? (document.querySelector('input[name="' + e.name + '"]:checked') ? "" : "press") :
			e.tagName === "SELECT" ? (e.value ? "" : "down") : e.type === "checkbox" ? (e.checked ? "" : "press") : /^(text|textarea)$/.test(e.type) && !e.value ? (e.inputMode === "decimal" || e.inputMode === "numeric" ? "number" : "words") : "")(document.activeElement)`, form)); at {
		case "outside":
			k.t.Fatalf("the form %s has no button that a key reaches", form)
		case "button":
			k.submit("\r")
			return
		case "press":
			k.press("Space")
		case "down":
			k.press("ArrowDown")
		case "words":
			must(k.t, chromedp.Do(k.ctx, chromedp.KeyEvent(words)))
		case "number":
			must(k.t, chromedp.Do(k.ctx, chromedp.KeyEvent("1")))
		}
		k.press("Tab")
	}
}

// enters signs one of the demonstration's people in.
func (k keyboard) enters(username string) {
	k.t.Helper()
	k.open("/sign-in")
	if k.text(".who") != "" { // whoever is signed in is led to their first page
		k.enter(".who button")
	}
	for _, a := range demo.Accounts {
		if a.Username == username {
			k.write("username", username)
			k.write("password", a.Password)
			k.submit("\r")
		}
	}
	if k.text(".who span") == "" {
		k.t.Fatalf("%s is not signed in: %s", username, k.text("main"))
	}
}

func fieldOf(kind journey.Kind, field string) string { return string(kind) + "-" + field }
