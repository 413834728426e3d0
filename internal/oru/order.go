package oru

import (
	"cmp"
	"errors"
	"slices"
	"strings"
	"time"

	"candidacy/internal/hl7"
	"candidacy/internal/protocol"
	"candidacy/internal/reading"
	"candidacy/internal/result"
)

// The code systems that a message can name in the third component of a code, HL7
// table 0396.
var systems = map[string]string{
	"LN": protocol.LOINCSystem, "SCT": "http://snomed.info/sct", "SNM": "http://snomed.info/sct", "SNOMED-CT": "http://snomed.info/sct",
	"UCUM": "http://unitsofmeasure.org", "HL70487": "http://terminology.hl7.org/CodeSystem/v2-0487", "HL70070": "http://terminology.hl7.org/CodeSystem/v2-0070",
}

// triplet is one coding of a coded element: code, text and the name of its
// system.
type triplet struct {
	code, display, system string
	// component is the number of the code among the components.
	component int
}

// coded reads the codings of a CE, CWE or CNE.
func (w *walk) coded(r hl7.Repetition) []triplet {
	var list []triplet
	for _, first := range []int{1, 4} {
		t := triplet{
			code: w.text(r.Component(first).First()), display: w.text(r.Component(first + 1).First()),
			system: w.text(r.Component(first + 2).First()), component: first,
		}
		if t.code != "" || t.display != "" {
			list = append(list, t)
		}
	}
	// Original text, from 2.5.
	if original := w.text(r.Component(9).First()); original != "" {
		if len(list) == 0 {
			list = append(list, triplet{display: original, component: 9})
		} else if list[0].display == "" {
			list[0].display = original
		}
	}
	return list
}

// in is the first coding of a system.
func in(list []triplet, system string) string {
	for _, t := range list {
		if systems[t.system] == system && t.code != "" {
			return t.code
		}
	}
	return ""
}

func codes(list []triplet) []string {
	var out []string
	for _, t := range list {
		if t.code != "" {
			out = append(out, t.code)
		}
	}
	return out
}

// coding passes a coded element on as it is: SNOMED CT or LOINC where it has one
// of them, or else its first code.
func coding(list []triplet) result.Coding {
	if len(list) == 0 {
		return result.Coding{}
	}
	best := list[0]
	for _, wanted := range []string{"http://snomed.info/sct", protocol.LOINCSystem} {
		if i := slices.IndexFunc(list, func(t triplet) bool { return systems[t.system] == wanted && t.code != "" }); i >= 0 {
			best = list[i]
			break
		}
	}
	return result.Coding{System: systems[best.system], Code: best.code, Display: cmp.Or(best.display, list[0].display)}
}

// statuses of an order, HL7 table 0123. Those without a counterpart are in the
// table with none.
var orderStatuses = map[string]result.ReportStatus{
	"O": "registered", "I": "registered", "S": "registered", "P": "preliminary", "R": "partial", "F": "final", "C": "corrected", "X": "cancelled",
	"A": "", "M": "", "N": "", "Y": "", "Z": "", "": "",
}

// imaging are the diagnostic services of HL7 table 0074 that make images.
var imaging = []string{"RAD", "CT", "NMR", "NMS", "RUS", "OUS", "VUS", "CUS", "XRC", "RX"}

// request is what an order says of all its observations.
type request struct {
	*order
	// filler and placer are the numbers of the order, system that of the sender.
	filler, placer string
	// code is what was ordered, and first its first code.
	code         []triplet
	first        string
	report       *result.Report
	category     string
	specimen     string
	specimenType *result.Coding
	// panel is the observation that the parts of the order belong to.
	panel *protocol.Meaning
}

func (w *walk) order(g *reading.Group, o *order) {
	obr := *o.obr
	q := request{order: o, code: w.coded(obr.Field(4).Repetition(0))}
	placer, placerSystem := w.number(o, 2)
	filler, _ := w.number(o, 3)
	q.placer, q.filler = placer, filler
	if placer != "" || filler != "" {
		number := reading.Order{Placer: placer, PlacerSystem: placerSystem, Filler: filler}
		if filler != "" {
			number.FillerSystem = w.sender.System
		}
		if !slices.Contains(g.Orders, number) {
			g.Orders = append(g.Orders, number)
		}
	}
	if filler == "" {
		w.fault(obr.field(3), hl7.RequiredFieldMissing, "missing: the laboratory's own number is part of the identity of each result")
	}
	if len(codes(q.code)) == 0 {
		w.fault(obr.field(4), hl7.RequiredFieldMissing, "missing")
	}
	status, known := orderStatuses[w.text(obr.Field(25).Component(1).First())]
	if !known {
		w.fault(obr.field(25), hl7.TableValueNotFound, "not a code of HL7 table 0123", "O", "I", "S", "P", "R", "F", "C", "X", "A", "M", "N", "Y", "Z")
	}
	service := w.text(obr.Field(24).Component(1).First())
	if len(service) < 2 || len(service) > 4 || strings.Trim(service, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" {
		service = ""
	}
	if slices.Contains(imaging, service) {
		q.category = "imaging"
	}
	// Laboratories give one number to several parts of an order.
	if all := codes(q.code); len(all) > 0 {
		q.first = all[0]
	}
	q.report = &result.Report{
		Identifier: result.Identifier{System: w.sender.System, Value: filler + "/" + q.first},
		Code:       coding(q.code), Status: status, Category: service, Conclusion: w.notes(o.notes),
	}
	if q.report.Code.Code == "" {
		q.report.Code = result.Coding{}
	}
	if issued, ok := w.instant(obr, 22); ok {
		q.report.Issued = issued.String()
	}
	w.specimen(&q)
	if m, ok := w.protocol.MeaningOf(w.sender, codes(q.code), in(q.code, protocol.LOINCSystem), ""); ok && len(m.Observation.Panel) > 0 {
		q.panel = &m
	}
	if len(o.observations) == 0 && (status == "final" || status == "corrected" || status == "cancelled") {
		w.issue(reading.NotSupported, obr.at, "", "an order is reported without any observation")
	}
	w.observations(g, q)
}

// number is one of the numbers of an order, which ORC and OBR both have.
func (w *walk) number(o *order, field int) (value, system string) {
	read := func(l *line) (string, string) {
		if l == nil {
			return "", ""
		}
		ei := l.Field(field).Repetition(0)
		_, system := w.authority(ei.Component(2).First(), ei.Component(3).First(), ei.Component(4).First())
		return w.text(ei.Component(1).First()), system
	}
	value, system = read(o.obr)
	control, controlSystem := read(o.orc)
	if value != "" && control != "" && value != control {
		w.fault(o.obr.field(field), hl7.DataType, "another number than in ORC of the same order")
	}
	return cmp.Or(value, control), cmp.Or(system, controlSystem)
}

// specimen is that of the order, where it has one.
func (w *walk) specimen(q *request) {
	switch len(q.specimens) {
	case 1:
		spm := q.specimens[0]
		id := spm.Field(2).Repetition(0)
		q.specimen = cmp.Or(w.text(id.Component(2).First()), w.text(id.Component(1).First()))
		if kind := coding(w.coded(spm.Field(4).Repetition(0))); kind.Code != "" {
			q.specimenType = &kind
		}
	case 0:
		// Before SPM there was, in the first component, a coded element in parts.
		source := q.obr.Field(15).Component(1)
		t := triplet{code: w.text(source.Subcomponent(1)), display: w.text(source.Subcomponent(2)), system: w.text(source.Subcomponent(3))}
		if t.code != "" {
			kind := coding([]triplet{{t.code, t.display, cmp.Or(t.system, "HL70070"), 1}})
			q.specimenType = &kind
		}
	}
}

// notes joins the texts of NTE segments.
func (w *walk) notes(list []line) string {
	var texts []string
	for _, nte := range list {
		for _, each := range nte.Field(3) {
			texts = append(texts, w.text(each.Component(1).First()))
		}
	}
	return strings.Trim(strings.Join(texts, "\n"), "\n")
}

// time reads a field. A value that is none is a fault.
func (w *walk) time(l line, field, component int) (hl7.Time, error) {
	text := w.text(l.Field(field).Component(component).First())
	if text == "" {
		return hl7.Time{}, errNoTime
	}
	at, err := hl7.ParseTime(text, w.sender.Zone())
	if err != nil && !errors.Is(err, hl7.ErrAmbiguous) {
		w.fault(l.field(field), hl7.DataType, "not a time", timeForm)
	}
	return at, err
}

var errNoTime = errors.New("no time")

// instant is a time with a time of day.
func (w *walk) instant(l line, field int) (hl7.Time, bool) {
	at, err := w.time(l, field, 1)
	return at, err == nil && at.Precision >= hl7.Minute
}

// collected says when a sample was taken: OBX-14, else OBR-7 up to OBR-8, else
// SPM-17. at is where it was looked for.
func (w *walk) collected(q request, obx line) (start, end string, at hl7.Location, err error) {
	begin, err := w.time(obx, 14, 1)
	at = obx.field(14)
	var until hl7.Time
	if errors.Is(err, errNoTime) {
		begin, err = w.time(*q.obr, 7, 1)
		at = q.obr.field(7)
		if err == nil {
			until, _ = w.time(*q.obr, 8, 1)
		}
	}
	if errors.Is(err, errNoTime) && len(q.specimens) == 1 {
		begin, err = w.time(q.specimens[0], 17, 1)
		at = q.specimens[0].field(17)
		if err == nil {
			until, _ = w.time(q.specimens[0], 17, 2)
		}
	}
	if err != nil {
		return "", "", at, err
	}
	if begin.Precision < hl7.Day {
		return "", "", at, errCoarse
	}
	if !until.At.IsZero() && !until.At.Equal(begin.At) {
		end = until.String()
		if begin.Precision < hl7.Minute || until.Precision < hl7.Minute {
			end = ""
		} else if until.At.Sub(begin.At) < time.Second {
			return "", "", at, errBackwards
		}
	}
	return begin.String(), end, at, nil
}

var (
	errCoarse    = errors.New("known to the month or the year only")
	errBackwards = errors.New("a collection that ends before it begins")
)
