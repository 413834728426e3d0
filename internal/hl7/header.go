package hl7

import (
	"bytes"
	"strings"
)

// Header is what MSH says, as far as an answer needs it. Its parts are as they
// were sent: bytes in the sender's character set, escapes included.
type Header struct {
	Delimiters Delimiters
	// Application and Facility are MSH-3 and MSH-4, the sender; the others MSH-5
	// and MSH-6, the receiver. Each is a whole field.
	Application, Facility, ReceivingApplication, ReceivingFacility string
	// Time is MSH-7, Type MSH-9.1, Event MSH-9.2, Structure MSH-9.3, ControlID
	// MSH-10, Processing MSH-11.1, Version MSH-12.1, AcceptAck MSH-15,
	// ApplicationAck MSH-16, Charset the first of MSH-18.
	Time, Type, Event, Structure, ControlID, Processing, Version, AcceptAck, ApplicationAck, Charset string
}

// Peek reads the first line of anything that may be a message. Of what is no
// message, the header is empty and has the usual delimiters.
func Peek(raw []byte) Header {
	raw = trimStart(raw)
	if !bytes.HasPrefix(raw, []byte("MSH")) {
		return Header{Delimiters: Usual}
	}
	d, wrong := delimiters(raw)
	if wrong != nil {
		return Header{Delimiters: Usual}
	}
	line := raw
	if end := bytes.IndexAny(raw, "\r\n"); end >= 0 {
		line = raw[:end]
	}
	fields := strings.Split(string(line), string(rune(d.Field)))
	// The separator before fields[1] is field 1, so that fields[2] is field 3.
	field := func(number int) string {
		if number-1 >= len(fields) {
			return ""
		}
		return fields[number-1]
	}
	part := func(number, component int) string {
		return d.field(field(number)).Component(component).First()
	}
	return Header{
		Delimiters: d, Application: field(3), Facility: field(4), ReceivingApplication: field(5), ReceivingFacility: field(6),
		Time: part(7, 1), Type: part(9, 1), Event: part(9, 2), Structure: part(9, 3), ControlID: part(10, 1),
		Processing: part(11, 1), Version: part(12, 1), AcceptAck: part(15, 1), ApplicationAck: part(16, 1), Charset: part(18, 1),
	}
}

// Sender returns the parts of MSH-3 and MSH-4 that name the sender: the
// namespace, or where there is none the universal id.
func (h Header) Sender() (application, facility string) {
	return h.Delimiters.authority(h.Application), h.Delimiters.authority(h.Facility)
}

// authority is the name of a hierarchic designator (HD).
func (d Delimiters) authority(field string) string {
	r := d.field(field).Repetition(0)
	if name := r.Component(1).First(); name != "" {
		return d.Text(name)
	}
	return d.Text(r.Component(2).First())
}
