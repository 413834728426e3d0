package demo

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"candidacy/internal/incoming"
	"candidacy/internal/journey"
	"candidacy/internal/oru"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
)

// deliveredSetting says that the messages are on record.
const deliveredSetting = "demo-delivered"

// delivery is one HL7 v2 message of the protocol's synthetic laboratory.
type delivery struct {
	control string
	// of is the candidate whom the message is about; without one it is about
	// somebody whom nobody knows.
	of string
	// hour of the day of the demonstration on which it comes; its blood was drawn
	// five hours before.
	hour int
	obx  []string
}

// deliveries are one message that is carried out, and those that wait for a
// person: of somebody unknown, and with words that the protocol does not have.
var deliveries = []delivery{
	{"DEMO-0001", "c22", -26, []string{
		"OBX|1|NM|HB^Haemoglobin^L||13.4|g/dL|12.0-15.5|N|||F",
		"OBX|2|NM|WBC^White cells^L||6.4|10*3/uL|3.5-10.0|N|||F",
		"OBX|3|NM|K^Potassium^L||5.6|mmol/L|3.5-5.1|H|||F",
	}},
	{"DEMO-0002", "", -4, []string{"OBX|1|NM|CREA^Creatinine^L||0.84|mg/dL|0.50-1.10|N|||F"}},
	{"DEMO-0003", "c22", -3, []string{
		"OBX|1|NM|CREA^Creatinine^L||0.71|mg%|0.50-1.10|N|||F",
		"OBX|2|ST|HBSAG^Hepatitis B surface antigen^L||WEAKLY REACTIVE|||A|||F",
	}},
}

// Deliver hands the laboratory's messages to the queue, once.
func Deliver(ctx context.Context, store *record.Store, queue *incoming.Queue, p *protocol.Protocol) error {
	delivered, err := store.Setting(ctx, deliveredSetting)
	if err != nil || delivered != "" {
		return err
	}
	m, err := readManifest()
	if err != nil {
		return err
	}
	text, err := store.Setting(ctx, loadedSetting)
	if err != nil {
		return err
	}
	now, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return fmt.Errorf("the demonstration is not loaded: %w", err)
	}
	now = now.In(p.Zone())
	for _, d := range deliveries {
		at := now.Add(time.Duration(d.hour) * time.Hour)
		out, err := queue.Take(ctx, incoming.Delivery{
			Channel: incoming.MLLP, Sender: sender, ControlID: d.control, ContentType: oru.ContentType,
			Raw: []byte(d.message(m, at)), Received: at, MessageTime: at.Format(time.RFC3339),
		})
		if err != nil {
			return fmt.Errorf("deliver %s: %w", d.control, err)
		}
		if out.State == incoming.Refused || out.State == incoming.Received {
			return fmt.Errorf("deliver %s: it is %s", d.control, out.State)
		}
	}
	return store.SetSetting(ctx, deliveredSetting, now.UTC().Format(time.RFC3339))
}

// sender is the synthetic laboratory of the default protocol.
const sender = "example-laboratory"

// message writes a message that was made at an instant.
func (d delivery) message(m manifest, at time.Time) string {
	const stamp = "20060102150405-0700"
	mrn, name, born, sex := "SYN-9999", "Nowhere^Nemo", journey.Date("1970-01-01"), "U"
	if i := slices.IndexFunc(m.Candidates, func(p person) bool { return p.ID == d.of }); i >= 0 {
		p := m.Candidates[i]
		mrn, name, born, sex = p.MRN, p.Family+"^"+p.Given, p.BirthDate, strings.ToUpper(p.Sex[:1])
	}
	drawn := at.Add(-5 * time.Hour).Format(stamp)
	segments := append([]string{
		`MSH|^~\&|EXAMPLE-LIS|EXAMPLE-LAB|CANDIDACY|DONOR|` + at.Format(stamp) + `||ORU^R01^ORU_R01|` + d.control + `|P|2.5.1||||||UNICODE UTF-8`,
		`PID|1||` + mrn + `^^^EXAMPLE-HOSPITAL^MR||` + name + `||` + strings.ReplaceAll(string(born), "-", "") + `|` + sex,
		`ORC|RE|P-` + d.control + `|F-` + d.control,
		`OBR|1|P-` + d.control + `|F-` + d.control + `|CHEM^Chemistry^L|||` + drawn + `|||||||||||||||` + at.Format(stamp) + `||LAB|F`,
	}, d.obx...)
	segments = append(segments, `SPM|1|^S-`+d.control+`||SER^Serum^HL70487|||||||||||||`+drawn)
	return strings.Join(segments, "\r") + "\r"
}
