package web

import (
	"fmt"
	"html"
	"html/template"
	"strings"

	"candidacy/internal/journey"
)

// trail is the way of one candidate, ready to be drawn.
type trail struct {
	Steps []step
	// Branch is set while the candidate is off the way: paused or out of it.
	Branch *branch
}

// step is one stage of the way.
type step struct {
	Stage journey.Stage
	// On is the day the stage was last entered, empty when it was not.
	On    journey.Date
	State stepState
	// Spent is how many days the candidate was in the stage before it was left, and Held
	// how many more on hold or deferred from it.
	Spent, Held int
	// Left says that the stage was left at all.
	Left bool
}

// lasted says how long a stage took.
func (s step) lasted() string {
	switch {
	case !s.Left && s.Held == 0:
		return ""
	case s.Held == 0:
		return plural(s.Spent, "day")
	case !s.Left:
		return fmt.Sprintf("%d held", s.Held)
	default:
		return fmt.Sprintf("%s, %d held", plural(s.Spent, "day"), s.Held)
	}
}

// stepState says how a stage relates to where the candidate is.
type stepState string

const (
	stepDone    stepState = "done"
	stepCurrent stepState = "current"
	stepAhead   stepState = "ahead"
	// stepCut is a stage that will not be reached.
	stepCut stepState = "cut"
)

// branch is a pause or an exit, drawn below the stage it was taken from.
type branch struct {
	Stage journey.Stage
	From  int
	On    journey.Date
	// Back is the stage that a pause returns to.
	Back journey.Stage
}

// way lists the stages of an undisturbed journey.
var way = []journey.Stage{
	journey.Referral, journey.Screening, journey.Evaluation, journey.Committee, journey.Approved,
	journey.Scheduled, journey.Operation, journey.Recovery, journey.FollowUp, journey.Closed,
}

func position(stage journey.Stage) int {
	for i, s := range way {
		if s == stage {
			return i
		}
	}
	return -1
}

// trailOf folds the events and notes when each stage was last entered. A stage
// after the current one keeps no day: a candidate who went back has it to do
// again.
func trailOf(rules journey.Rules, events []journey.Event) trail {
	var state journey.State
	entered := map[journey.Stage]journey.Date{}
	spent, held := map[journey.Stage]int{}, map[int]int{}
	last := 0 // where on the way the candidate last was
	for _, e := range events {
		before := state
		state = journey.Apply(rules, state, e)
		if before.Stage != state.Stage && before.Stage != "" {
			if days := before.Since.DaysUntil(state.Since); position(before.Stage) >= 0 {
				spent[before.Stage] += days
			} else {
				held[last] += days
			}
		}
		entered[state.Stage] = state.Since
		if at := position(state.Stage); at >= 0 {
			last = at
		}
	}
	p := trail{}
	at := position(state.Stage)
	if at < 0 {
		p.Branch = &branch{Stage: state.Stage, From: last, On: state.Since}
		switch state.Stage {
		case journey.OnHold:
			p.Branch.Back = state.Resume
		case journey.Deferred:
			p.Branch.Back = journey.Evaluation
		}
	}
	for i, stage := range way {
		s := step{Stage: stage, State: stepAhead}
		switch {
		case i == at:
			s.On, s.State = entered[stage], stepCurrent
		case i < at, p.Branch != nil && i <= last:
			s.On, s.State = entered[stage], stepDone
		case p.Branch != nil && state.Stage.Ended():
			s.State = stepCut
		}
		if days, ok := spent[stage]; ok && s.On != "" && s.State != stepCurrent {
			s.Spent, s.Left = days, true
		}
		if s.On != "" {
			s.Held = held[i]
		}
		p.Steps = append(p.Steps, s)
	}
	return p
}

// sentence says in words what the picture shows.
func (p trail) sentence() string {
	var b strings.Builder
	for _, s := range p.Steps {
		if s.State == stepCurrent {
			fmt.Fprintf(&b, "The candidate is in the stage %s since %s. ", stageWord(s.Stage), dayWord(s.On))
		}
	}
	if p.Branch != nil {
		fmt.Fprintf(&b, "The candidate is %s since %s, from the stage %s. ",
			strings.ToLower(stageWord(p.Branch.Stage)), dayWord(p.Branch.On), stageWord(p.Steps[p.Branch.From].Stage))
		if p.Branch.Back != "" {
			fmt.Fprintf(&b, "The way goes on at %s. ", stageWord(p.Branch.Back))
		}
	}
	var done []string
	for _, s := range p.Steps {
		if s.State == stepDone && s.On != "" {
			text := stageWord(s.Stage) + " from " + dayWord(s.On)
			if lasted := s.lasted(); lasted != "" {
				text += " (" + lasted + ")"
			}
			done = append(done, text)
		}
	}
	if len(done) > 0 {
		b.WriteString("Passed: " + strings.Join(done, ", ") + ".")
	}
	return strings.TrimSpace(b.String())
}

// Wide draws the way from left to right.
func (p trail) Wide() template.HTML {
	const stride, middle, line = 100, 50, 40
	height := 112
	if p.Branch != nil {
		height = 166
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="way way-wide" viewBox="0 0 %d %d" role="img" aria-labelledby="way-wide-title way-wide-desc">`, stride*len(p.Steps), height)
	p.describe(&b, "way-wide")
	for i := range p.Steps[1:] {
		x := middle + stride*i
		fmt.Fprintf(&b, `<path class="track track-%s" d="M%d %dH%d"/>`, p.Steps[i+1].State, x+12, line, x+stride-12)
	}
	for i, s := range p.Steps {
		x := middle + stride*i
		knot(&b, s.State, x, line)
		if s.State == stepCurrent {
			fmt.Fprintf(&b, `<text class="now" x="%d" y="16">Now</text>`, x)
		}
		fmt.Fprintf(&b, `<text class="name name-%s" x="%d" y="70">%s</text>`, s.State, x, html.EscapeString(stageWord(s.Stage)))
		if s.On != "" {
			fmt.Fprintf(&b, `<text class="date" x="%d" y="88">%s</text>`, x, dayWord(s.On))
		}
		if lasted := s.lasted(); lasted != "" {
			fmt.Fprintf(&b, `<text class="date" x="%d" y="104">%s</text>`, x, lasted)
		}
	}
	if p.Branch != nil {
		x := middle + stride*p.Branch.From
		box := min(max(x-70, 2), stride*len(p.Steps)-222)
		fmt.Fprintf(&b, `<path class="track track-branch" d="M%d 110V120"/>`, x)
		fmt.Fprintf(&b, `<rect class="branch" x="%d" y="120" width="220" height="42" rx="4"/>`, box)
		fmt.Fprintf(&b, `<text class="name name-current" x="%d" y="137">%s</text>`, box+110, html.EscapeString("Now: "+stageWord(p.Branch.Stage)))
		fmt.Fprintf(&b, `<text class="date" x="%d" y="154">%s</text>`, box+110, html.EscapeString(p.Branch.note()))
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped
}

// Narrow draws the way from top to bottom, for a small screen.
func (p trail) Narrow() template.HTML {
	const stride, x = 30, 16
	rows := len(p.Steps)
	if p.Branch != nil {
		rows++
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="way way-narrow" viewBox="0 0 320 %d" role="img" aria-labelledby="way-narrow-title way-narrow-desc">`, rows*stride)
	p.describe(&b, "way-narrow")
	y := stride / 2
	for i, s := range p.Steps {
		knot(&b, s.State, x, y)
		fmt.Fprintf(&b, `<text class="name start name-%s" x="40" y="%d">%s</text>`, s.State, y+5, html.EscapeString(stageWord(s.Stage)))
		if s.On != "" {
			text := dayWord(s.On)
			if lasted := s.lasted(); lasted != "" {
				text += ", " + lasted
			}
			fmt.Fprintf(&b, `<text class="date end" x="318" y="%d">%s</text>`, y+5, text)
		}
		drop := stride
		if p.Branch != nil && p.Branch.From == i {
			drop = 2 * stride
			fmt.Fprintf(&b, `<path class="track track-branch" d="M%d %dh22"/>`, x, y+stride)
			fmt.Fprintf(&b, `<text class="name start name-current" x="46" y="%d">%s</text>`, y+stride+5, html.EscapeString("Now: "+stageWord(p.Branch.Stage)))
			fmt.Fprintf(&b, `<text class="date end" x="318" y="%d">%s</text>`, y+stride+5, dayWord(p.Branch.On))
		}
		if i+1 < len(p.Steps) {
			fmt.Fprintf(&b, `<path class="track track-%s" d="M%d %dV%d"/>`, p.Steps[i+1].State, x, y+12, y+drop-12)
		}
		y += drop
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String()) //nolint:gosec // every text is escaped
}

func (p trail) describe(b *strings.Builder, id string) {
	fmt.Fprintf(b, `<title id="%s-title">The way from referral to the end of follow-up</title><desc id="%s-desc">%s</desc>`,
		id, id, html.EscapeString(p.sentence()))
}

func (n *branch) note() string {
	if n.Back != "" {
		return "since " + dayWord(n.On) + ", goes on at " + stageWord(n.Back)
	}
	return "since " + dayWord(n.On)
}

// knot draws one stage: a tick when passed, a filled ring for the current one,
// an empty ring ahead and a dashed one that will not be reached.
func knot(b *strings.Builder, state stepState, x, y int) {
	fmt.Fprintf(b, `<circle class="knot knot-%s" cx="%d" cy="%d" r="11"/>`, state, x, y)
	switch state {
	case stepDone:
		fmt.Fprintf(b, `<path class="tick" d="M%d %dl4 4 7-8"/>`, x-5, y)
	case stepCurrent:
		fmt.Fprintf(b, `<circle class="core" cx="%d" cy="%d" r="5"/>`, x, y)
	}
}

// stageBar draws the share of one count as a short bar. The number stands
// beside it as text.
func stageBar(count, most int) template.HTML {
	const length = 60
	width := 0
	if most > 0 {
		width = count * length / most
	}
	if count > 0 {
		width = max(width, 2)
	}
	return template.HTML(fmt.Sprintf( //nolint:gosec // numbers only
		`<svg class="bar" viewBox="0 0 %d 6" aria-hidden="true" focusable="false" preserveAspectRatio="none"><rect class="bar-all" width="%d" height="6"/><rect class="bar-part" width="%d" height="6"/></svg>`,
		length, length, width))
}
