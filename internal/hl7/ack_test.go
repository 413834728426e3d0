package hl7_test

import (
	"strings"
	"testing"
	"time"

	"candidacy/internal/hl7"
)

var answered = time.Date(2024, 1, 5, 14, 24, 6, 0, time.FixedZone("", 3600))

func answers(t *testing.T, msh string, a hl7.Answer) []string {
	t.Helper()
	a.ControlID, a.At = "A-1", answered
	var list []string
	for _, each := range hl7.Acknowledge(hl7.Peek([]byte(msh)), a) {
		if _, err := hl7.Parse(each, ""); err != nil {
			t.Errorf("the answer %q: %v", each, err)
		}
		list = append(list, strings.ReplaceAll(string(each), "\r", "\n"))
	}
	return list
}

// The codes are those of table 0008; which is given when follows chapter 2,
// "Message processing rules", for the original and the enhanced mode.
func TestAcknowledgements(t *testing.T) {
	const original = `MSH|^~\&|LIS|NORTH|CANDIDACY|DONOR|2024||ORU^R01^ORU_R01|M-1|P|2.5.1`
	faults := []hl7.Fault{{Location: hl7.Location{Segment: "OBX", Sequence: 2, Field: 5, Repetition: 1, Component: 1}, Code: hl7.DataType, Problem: "not a number", Accepted: []string{"1.5", "<5"}}}
	for _, each := range []struct {
		name, msh string
		answer    hl7.Answer
		want      []string
	}{
		{"original, accepted", original, hl7.Answer{}, []string{
			"MSH|^~\\&|CANDIDACY|DONOR|LIS|NORTH|20240105142406+0100||ACK^R01^ACK|A-1|P|2.5.1\nMSA|AA|M-1\n"}},
		{"original, failed", original, hl7.Answer{Outcome: hl7.Failed, Faults: faults}, []string{
			"MSH|^~\\&|CANDIDACY|DONOR|LIS|NORTH|20240105142406+0100||ACK^R01^ACK|A-1|P|2.5.1\nMSA|AE|M-1\n" +
				"ERR||OBX^2^5^1^1|102^Data type error^HL70357|E||||not a number; accepted: 1.5, <5\n"}},
		{"original, rejected", original, hl7.Answer{Outcome: hl7.Rejected}, []string{
			"MSH|^~\\&|CANDIDACY|DONOR|LIS|NORTH|20240105142406+0100||ACK^R01^ACK|A-1|P|2.5.1\nMSA|AR|M-1\n"}},
		{"version 2.3", strings.Replace(original, "2.5.1", "2.3", 1), hl7.Answer{Outcome: hl7.Failed, Faults: faults}, []string{
			"MSH|^~\\&|CANDIDACY|DONOR|LIS|NORTH|20240105142406+0100||ACK^R01|A-1|P|2.3\nMSA|AE|M-1|not a number; accepted: 1.5, <5\n" +
				"ERR|OBX^2^5^102&Data type error&HL70357\n"}},
		{"its own delimiters and character set", `MSH*:;!?*LIS*NO!F!RTH*CANDIDACY*DONOR*2024**ORU:R01*M!E!1*P*2.6******8859/1`, hl7.Answer{Outcome: hl7.Unavailable}, []string{
			"MSH*:;!?*CANDIDACY*DONOR*LIS*NO!F!RTH*20240105142406+0100**ACK:R01:ACK*A-1*P*2.6******8859/1\nMSA*AR*M!E!1\n"}},
		{"enhanced, both", original + "|||AL|AL", hl7.Answer{}, []string{
			"MSH|^~\\&|CANDIDACY|DONOR|LIS|NORTH|20240105142406+0100||ACK^R01^ACK|A-1C|P|2.5.1|||NE|NE\nMSA|CA|M-1\n",
			"MSH|^~\\&|CANDIDACY|DONOR|LIS|NORTH|20240105142406+0100||ACK^R01^ACK|A-1|P|2.5.1|||NE|NE\nMSA|AA|M-1\n"}},
		{"no header", "garbage", hl7.Answer{Outcome: hl7.Rejected}, []string{
			"MSH|^~\\&|||||20240105142406+0100||ACK|A-1|P|2.5.1\nMSA|AR\n"}},
	} {
		is := answers(t, each.msh, each.answer)
		if strings.Join(is, "\n") != strings.Join(each.want, "\n") {
			t.Errorf("%s:\n%s\nwant\n%s", each.name, strings.Join(is, "\n"), strings.Join(each.want, "\n"))
		}
	}
	for _, each := range []struct {
		conditions string
		outcome    hl7.Outcome
		want       string
	}{
		{"AL|NE", hl7.Accepted, "CA"}, {"AL|NE", hl7.Failed, "CA"}, {"AL|NE", hl7.Rejected, "CR"}, {"AL|NE", hl7.Unavailable, "CE"},
		{"NE|AL", hl7.Accepted, "AA"}, {"NE|AL", hl7.Failed, "AE"}, {"NE|AL", hl7.Rejected, "AR"}, {"|AL", hl7.Accepted, "AA"},
		{"AL|", hl7.Accepted, "CA"}, {"ER|ER", hl7.Accepted, ""}, {"ER|ER", hl7.Failed, "AE"}, {"ER|ER", hl7.Rejected, "CR AR"},
		{"SU|SU", hl7.Accepted, "CA AA"}, {"SU|SU", hl7.Failed, "CA"}, {"NE|NE", hl7.Rejected, ""}, {"AL|AL", hl7.Unavailable, "CE AR"},
	} {
		var codes []string
		for _, text := range answers(t, original+"|||"+each.conditions, hl7.Answer{Outcome: each.outcome}) {
			_, msa, _ := strings.Cut(text, "MSA|")
			codes = append(codes, msa[:2])
		}
		if is := strings.Join(codes, " "); is != each.want {
			t.Errorf("%s, outcome %d: %q, want %q", each.conditions, each.outcome, is, each.want)
		}
	}
}

func TestTimes(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Stockholm")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{
		"2024": "2024", "202401": "2024-01", "20240105": "2024-01-05", "2024010514": "2024-01-05",
		"202401051424": "2024-01-05T14:24:00+01:00", "20240105142405": "2024-01-05T14:24:05+01:00",
		"202407051424": "2024-07-05T14:24:00+02:00", "20240105142405.5": "2024-01-05T14:24:05.5+01:00",
		"20240105142405.1234-0800": "2024-01-05T14:24:05.1234-08:00", "202401051424+0000": "2024-01-05T14:24:00Z",
		"20240105+0100": "2024-01-05", "20240229": "2024-02-29",
		// Clocks went back at 03:00 summer time on 27 October 2024, and forward at
		// 02:00 on 31 March: with a zone both hours are clear.
		"202410270230+0200": "2024-10-27T02:30:00+02:00", "202410270230+0100": "2024-10-27T02:30:00+01:00",
		"202410270300": "2024-10-27T03:00:00+01:00", "202410270159": "2024-10-27T01:59:00+02:00", "202403310300": "2024-03-31T03:00:00+02:00",
	} {
		is, err := hl7.ParseTime(text, zone)
		if err != nil || is.String() != want {
			t.Errorf("%s: %s, %v, want %s", text, is, err, want)
		}
	}
	for _, text := range []string{
		"", "24", "20241", "2024013", "20241301", "20240230", "20230229", "20240105T14", "2024-01-05", "202401052460", "20240105142460",
		"2024010514.5", "20240105142405.", "20240105142405.12345", "202401051424+1500", "202401051424Z", "202401051424+01:00", "202401051424+01", "20240105142405 ",
		"202410270230", "202410270200", "202403310230", "202403310200",
	} {
		if is, err := hl7.ParseTime(text, zone); err == nil {
			t.Errorf("%q was read as %s", text, is)
		}
	}
}
