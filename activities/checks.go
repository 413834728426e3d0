package activities

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"candidacy/internal/clinical"
	"candidacy/internal/clinical/compatibility"
	"candidacy/internal/clinical/units"
	"candidacy/internal/command"
	"candidacy/internal/journey"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

// CheckOutcome is the body of the entry of a check: the lines that agreed and
// those that did not. It keeps no identity and no reference: on a mistaken
// wristband or list it would be a stranger's.
type CheckOutcome struct {
	Lines []CheckedLine `json:"lines"`
}

// CheckedLine is one line of a check with what was read back, and, where it is no
// identity, what is on record.
type CheckedLine struct {
	ID       string `json:"id"`
	Title    string `json:"title"`
	Read     string `json:"read,omitempty"`
	Recorded string `json:"recorded,omitempty"`
	Agrees   bool   `json:"agrees"`
}

// What two people may read back of the two groups.
const (
	GroupsCompatible = compatibility.Compatible
	GroupsCrossed    = "incompatible-on-purpose"
)

// check compares what one person read back with the record, line by line.
func (c *commit) check(body *command.LastCheck) error {
	lines := c.protocol.CheckLines(c.command.Kind)
	read := map[string]string{
		string(protocol.CompareBirthDate): string(body.BirthDate), string(protocol.CompareIdentifier): body.Identifier,
		string(protocol.CompareBloodTypeFirst): body.BloodTypeFirst, string(protocol.CompareBloodTypeSecond): body.BloodTypeSecond,
		string(protocol.CompareSide): string(body.Side),
	}
	for _, id := range slices.Sorted(maps.Keys(body.Readings)) {
		if _, twice := read[id]; twice || !slices.ContainsFunc(lines, func(l protocol.CheckLine) bool { return l.ID == id }) {
			return &journey.Refusal{Code: journey.Invalid, Field: "readings." + id, Message: "readings." + id + ": this check has no such further line"}
		}
		read[id] = body.Readings[id]
	}
	entries, err := c.tx.EntriesOf(journey.RecordRecipient)
	if err != nil {
		return err
	}
	recipient, err := RecipientOf(entries)
	if err != nil {
		return err
	}
	truth := CheckRecord{Protocol: c.protocol, State: c.state, Identity: c.referral.Identity, Results: c.results, Recipient: recipient}
	var outcome CheckOutcome
	for _, l := range lines {
		text := strings.TrimSpace(read[l.ID])
		if text == "" {
			return &journey.Refusal{Code: journey.Invalid, Field: "readings." + l.ID, Message: "readings." + l.ID + ": missing: every line is read back"}
		}
		recorded, err := truth.Recorded(l.Compare)
		if err != nil {
			return err
		}
		line := CheckedLine{ID: l.ID, Title: l.Title, Read: text, Recorded: recorded, Agrees: agrees(l.Compare, text, recorded)}
		if slices.Contains(identifying, l.Compare) {
			line.Read, line.Recorded = "", ""
		}
		if !line.Agrees {
			c.event.Mismatches = append(c.event.Mismatches, l.ID)
		}
		outcome.Lines = append(outcome.Lines, line)
	}
	if c.body, err = json.Marshal(outcome); err != nil {
		return fmt.Errorf("encode the check: %w", err)
	}
	return nil
}

// identifying are the lines that may name somebody.
var identifying = []protocol.Comparison{protocol.CompareBirthDate, protocol.CompareIdentifier, protocol.CompareRecipient}

// agrees compares what was read back with the record. What the record can't tell
// agrees with nothing.
func agrees(with protocol.Comparison, read, recorded string) bool {
	switch with {
	case protocol.CompareBirthDate, protocol.CompareIdentifier, protocol.CompareRecipient:
		return recorded != "" && read == recorded
	case protocol.CompareBloodTypeFirst, protocol.CompareBloodTypeSecond:
		return recorded != "" && protocol.NormaliseBloodType(read) == recorded
	case protocol.CompareInForce, protocol.CompareAnswer:
		return recorded == yes && read == yes
	case protocol.CompareCompatibility:
		return read == recorded && (recorded == GroupsCompatible || recorded == GroupsCrossed)
	default:
		return recorded != "" && strings.EqualFold(read, recorded)
	}
}

// The answers to a line that is a question.
const (
	yes = "yes"
	no  = "no"
)

// CheckRecord is what a check compares with.
type CheckRecord struct {
	Protocol  *protocol.Protocol
	State     journey.State
	Identity  record.Identity
	Results   []result.Result
	Recipient command.RecordRecipient
}

// Recorded is what is on record for a comparison; nothing where the record can't
// tell. A question that only a person can answer is to be answered yes.
func (r CheckRecord) Recorded(with protocol.Comparison) (string, error) {
	switch with {
	case protocol.CompareBirthDate:
		return string(r.Identity.BirthDate), nil
	case protocol.CompareIdentifier:
		return r.Identity.Identifier.Value, nil
	case protocol.CompareRecipient:
		return r.Recipient.Recipient, nil
	case protocol.CompareBloodTypeFirst:
		return r.sample(0), nil
	case protocol.CompareBloodTypeSecond:
		return r.sample(1), nil
	case protocol.CompareBloodGroup, protocol.CompareRecipientGroup, protocol.CompareCompatibility:
		return r.groups(with)
	case protocol.CompareSide:
		if r.State.Decision == nil {
			return "", nil
		}
		return string(r.State.Decision.Side), nil
	case protocol.CompareArteries:
		return r.arteries(), nil
	case protocol.CompareInForce:
		if len(journey.Outstanding(r.Protocol.Rules(), r.State)) > 0 {
			return no, nil
		}
		return yes, nil
	default:
		return yes, nil
	}
}

func (r CheckRecord) sample(n int) string {
	samples := protocol.BloodTypes(r.Results)
	if len(samples) <= n {
		return ""
	}
	return samples[n].Type
}

// groups reads the groups of the candidate and the recipient. Groups that can't
// be told are nothing.
func (r CheckRecord) groups(with protocol.Comparison) (string, error) {
	found, err := Compatibility(r.Results, r.Recipient)
	var wrong *clinical.Error
	switch {
	case errors.As(err, &wrong):
		return "", nil
	case err != nil:
		return "", err
	}
	switch with {
	case protocol.CompareBloodGroup:
		if r.State.BloodType != journey.Agree {
			return "", nil
		}
		return string(found.Donor.Group), nil
	case protocol.CompareRecipientGroup:
		return string(found.Recipient.Group), nil
	}
	if found.Answer == compatibility.Incompatible && r.Recipient.Incompatible {
		return GroupsCrossed, nil
	}
	return found.Answer, nil
}

// Compatibility compares the groups of the candidate's samples with those that
// are recorded of the recipient. Where only the day of a sample is known, noon
// stands for its time: two samples of one such day then don't count as two.
func Compatibility(results []result.Result, recipient command.RecordRecipient) (compatibility.ABOResult, error) {
	var in compatibility.ABOInput
	for _, s := range protocol.BloodTypes(results) {
		group, _, _ := strings.Cut(s.Type, " ")
		in.Donor = append(in.Donor, compatibility.BloodSample{Group: compatibility.Group(group), Ref: s.Specimen, Collected: s.Collected()})
	}
	for _, s := range recipient.Samples {
		in.Recipient = append(in.Recipient, compatibility.BloodSample{Group: compatibility.Group(s.Group), Ref: s.Specimen, Collected: s.Collected})
	}
	if recipient.AntiATitre > 0 {
		in.AntiATitre = clinical.NewMeasurement(float64(recipient.AntiATitre), units.One)
	}
	return compatibility.ABO(in, compatibility.DefaultABORules())
}

// arteries is how many arteries the newest final image report says the kidney of
// the decided side has.
func (r CheckRecord) arteries() string {
	if r.State.Decision == nil {
		return ""
	}
	code := "arteries-" + string(r.State.Decision.Side)
	var newest *result.Result
	for i := range r.Results {
		if one := &r.Results[i]; one.Code.Code == code && one.Status.Usable() && (newest == nil || newest.CollectedOn <= one.CollectedOn) {
			newest = one
		}
	}
	if newest == nil || newest.Value.Quantity == nil || newest.Value.Quantity.Comparator != "" {
		return ""
	}
	n, err := newest.Value.Quantity.Value.Float64()
	if err != nil || n != float64(int(n)) {
		return ""
	}
	return strconv.Itoa(int(n))
}

// RecipientOf is what a candidate's entries last told of the recipient, nothing
// when that is nothing.
func RecipientOf(entries []record.Entry) (command.RecordRecipient, error) {
	var recipient command.RecordRecipient
	for _, e := range slices.Backward(entries) {
		if e.Kind == journey.RecordRecipient {
			err := decode(e, &recipient)
			return recipient, err
		}
	}
	return recipient, nil
}

// recipient takes over the reference. A directed donation has one recipient from
// its referral on; in an exchange it is named later, and may change.
func (c *commit) recipient(body *command.RecordRecipient) error {
	if c.referral.Path == "direct" && c.referral.Recipient != body.Recipient {
		return &journey.Refusal{
			Code: journey.Invalid, Field: "recipient",
			Message: "recipient: not the recipient of the referral; a directed donation is for that one",
		}
	}
	c.referral.Recipient = body.Recipient
	return c.independent(c.state.Advocate, "the advocate")
}

// team refuses members who have no account, or one that is closed.
func (c *commit) team(body *command.Schedule) error {
	for i, m := range body.Team {
		account, err := c.tx.Account(m.Account)
		if err != nil && !errors.Is(err, record.ErrNotFound) {
			return err
		}
		if err != nil || account.Disabled {
			field := fmt.Sprintf("team[%d].account", i)
			return &journey.Refusal{Code: journey.Invalid, Field: field, Message: field + ": there is no such active account"}
		}
	}
	return nil
}
