package calculation

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/units"
)

// The layout of a derivation, in columns.
const (
	pageWidth  = 92
	labelWidth = 44
)

// Derivation writes an outcome for a reader who wants to follow it: inputs with
// units and dates, steps in order, equation, source, the result rounded and
// unrounded, reasons, warnings and cautions.
func Derivation(w io.Writer, o Outcome) error {
	p := &page{}
	p.line(0, "", o.Title)
	for _, v := range o.Values {
		p.blank()
		p.value(v)
	}
	for _, c := range o.Conclusions {
		p.blank()
		p.conclusion(c)
	}
	p.blank()
	p.line(0, "", "Cautions")
	for _, text := range o.Cautions {
		p.line(2, "- ", text)
	}
	_, err := io.WriteString(w, p.b.String())
	return err
}

// page is text that is built line by line.
type page struct{ b strings.Builder }

func (p *page) blank() { p.b.WriteByte('\n') }

// line writes text after a lead, and continues it below its first word.
func (p *page) line(indent int, lead, text string) {
	start := strings.Repeat(" ", indent) + lead
	hang := strings.Repeat(" ", utf8.RuneCountInString(start))
	column := utf8.RuneCountInString(start)
	p.b.WriteString(start)
	first := true
	for _, word := range strings.Fields(printable(text)) {
		n := utf8.RuneCountInString(word)
		switch {
		case first:
		case column+1+n > pageWidth:
			p.b.WriteString("\n" + hang)
			column = len(hang)
		default:
			p.b.WriteByte(' ')
			column++
		}
		p.b.WriteString(word)
		column += n
		first = false
	}
	p.b.WriteByte('\n')
}

// labelled writes a label and what belongs to it in two columns; a long label
// takes a line of its own.
func (p *page) labelled(indent int, label, text string) {
	label = printable(label)
	room := labelWidth - indent
	if n := utf8.RuneCountInString(label); n < room {
		p.line(indent, label+strings.Repeat(" ", room-n), text)
		return
	}
	p.b.WriteString(strings.Repeat(" ", indent) + label + "\n")
	p.line(labelWidth, "", text)
}

func (p *page) value(v Value) {
	r := v.Result
	p.labelled(0, capital(v.Name), v.Shown+" "+r.Value.Unit+" (unrounded "+significant(r.Value.Value, unroundedDigits)+")")
	if i := r.Interval; i != nil {
		p.labelled(0, "", fmt.Sprintf("%s to %s with a probability of %s %%, given the uncertainties stated",
			significant(i.Low, shownDigits), significant(i.High, shownDigits), significant(i.Coverage*100, shownDigits)))
	}
	p.inputs(r.Inputs)
	if len(r.Steps) > 0 {
		p.line(2, "", "Steps")
	}
	for n, s := range r.Steps {
		p.labelled(4, fmt.Sprintf("%2d %s", n+1, s.Text), quantity(s.Value))
	}
	p.labelled(2, "Equation", r.Equation)
	p.labelled(2, "Source", r.Source)
	if i := r.Interval; i != nil {
		p.labelled(2, "Uncertainty", fmt.Sprintf("standard %s %s, coverage factor %s; %s",
			significant(i.StandardUncertainty, shownDigits), r.Value.Unit, significant(i.CoverageFactor, shownDigits), i.Method))
		for _, c := range i.Contributions {
			p.labelled(4, c.Name, significant(c.StandardUncertainty, shownDigits)+" "+r.Value.Unit)
		}
	}
	p.warnings(r.Warnings)
}

func (p *page) conclusion(c clinical.Conclusion) {
	p.labelled(0, capital(c.Question), c.Answer)
	p.inputs(c.Inputs)
	if len(c.Reasons) > 0 {
		p.line(2, "", "Reasons")
	}
	for n, r := range c.Reasons {
		text := r.Text
		if r.Source != "" && r.Source != c.Source {
			text += " [" + r.Source + "]"
		}
		p.line(4, fmt.Sprintf("%2d %-10s", n+1, r.Weight), text)
	}
	p.labelled(2, "Rule", c.Rule)
	p.labelled(2, "Source", c.Source)
	p.warnings(c.Warnings)
}

func (p *page) inputs(list []clinical.Input) {
	if len(list) > 0 {
		p.line(2, "", "Inputs")
	}
	for _, in := range list {
		parts := []string{in.Choice, "", in.Measurement.Date, in.Measurement.Ref}
		if in.Measurement.Given() {
			parts[1] = strconv.FormatFloat(in.Measurement.Value, 'f', -1, 64) + " " + in.Measurement.Unit
		}
		parts = slices.DeleteFunc(parts, func(part string) bool { return part == "" })
		text := cmp.Or(strings.Join(parts, ", "), "not recorded")
		p.labelled(4, in.Name, text)
	}
}

func (p *page) warnings(list []clinical.Warning) {
	if len(list) > 0 {
		p.line(2, "", "Warnings")
	}
	for _, w := range list {
		p.line(4, "! ", w.Message+" ("+string(w.Code)+")")
	}
}

func quantity(q units.Quantity) string {
	if q.Unit == units.One {
		return significant(q.Value, unroundedDigits)
	}
	return significant(q.Value, unroundedDigits) + " " + q.Unit
}

func capital(text string) string {
	r, n := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(r)) + text[n:]
}

// printable drops what would steer a terminal: dates and references are as they
// were typed.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return -1
	}, text)
}
