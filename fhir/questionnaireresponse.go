package fhir

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"candidacy/activities"
	"candidacy/internal/protocol"
	"candidacy/internal/record"
	"candidacy/internal/result"
)

const (
	typeQuestionnaireResponse = "QuestionnaireResponse"
	systemAnswersStatus       = "http://hl7.org/fhir/questionnaire-answers-status"
	metaQuestionnaireResponse = `"profile":["` + usCore + `us-core-questionnaireresponse"]`
)

var questionnaireResponseType = resourceType{
	code:    r4.ResourceTypeQuestionnaireResponse,
	profile: usCore + "us-core-questionnaireresponse",
	params: []param{
		patientParam("patient", "QuestionnaireResponse-patient"),
		patientParam("subject", "QuestionnaireResponse-subject"),
		dateParam("authored", "QuestionnaireResponse-authored"),
		referenceParam("questionnaire", "QuestionnaireResponse-questionnaire"),
		tokenParam("status", "QuestionnaireResponse-status", systemAnswersStatus),
		referenceParam("author", "QuestionnaireResponse-author", typeOrganization, typePatient),
		referenceParam("source", "QuestionnaireResponse-source", typePatient),
		referenceParam("based-on", "QuestionnaireResponse-based-on", typeCarePlan, typeServiceRequest),
	},
}

// questionnaireResponses publishes what candidates and donors answered, and what
// they were told with their consents. What is told in confidence is in no form,
// and of reviews there is none.
func questionnaireResponses(s activities.Snapshot, of reported) ([]record.Resource, error) {
	if len(s.Told) == 0 && !slices.ContainsFunc(s.Results, answersQuestion) {
		return nil, nil
	}
	forms := formsOf(s.Protocol)
	answers, err := answersToQuestions(s, forms, of)
	if err != nil {
		return nil, err
	}
	told, err := disclosuresTold(s, forms, of)
	return append(answers, told...), err
}

// answersToQuestions are the answers that one source gave at one time, by form.
func answersToQuestions(s activities.Snapshot, forms []form, of reported) ([]record.Resource, error) {
	type given struct {
		form    form
		id      string
		answers []result.Result
	}
	var all []*given
	byID := map[string]*given{}
	asked := map[string]form{}
	for _, f := range forms {
		for _, o := range f.questions {
			asked[o.Code] = f
		}
	}
	places := placesOf(forms)
	for _, r := range of.results {
		f, ok := asked[r.Code.Code]
		if self, known := places[r.Code.Code]; known && r.BySelf() {
			f, ok = self.form, true
		}
		if !ok || !answersQuestion(r) {
			continue
		}
		id := partID(s.Candidate, "answers", f.name, r.Identifier.System, momentOf(r.Effective))
		g := byID[id]
		if g == nil {
			g = &given{form: f, id: id}
			byID[id] = g
			all = append(all, g)
		}
		g.answers = append(g.answers, r)
	}
	var list []record.Resource
	for _, g := range all {
		response := newResponse(s, g.id, g.form, answersStatus(g.answers), g.answers[0].Effective)
		memo := of.memoOf(g.answers, s.Protocol.Canonical, s.Protocol.Version, value(response.BasedOn[0].Reference))
		if was, ok := of.kept(typeQuestionnaireResponse, g.id, memo); ok {
			list = append(list, was)
			continue
		}
		if err := checkDateTime(g.answers[0].Effective); err != nil {
			return nil, fmt.Errorf("answers of result %s: %w", g.answers[0].ID, err)
		}
		void := allOf(g.answers, result.EnteredInError)
		if g.answers[0].BySelf() {
			bySelf(s, &response)
		}
		if len(g.form.asked.Sections) > 0 {
			items, err := answeredItems(g.form, g.answers, void)
			if err != nil {
				return nil, err
			}
			response.Item, g.answers = items, nil
		}
		for _, r := range g.answers {
			if r.Status == result.EnteredInError && !void {
				continue
			}
			item, err := responseItem(r)
			if err != nil {
				return nil, fmt.Errorf("result %s: %w", r.ID, err)
			}
			response.Item = append(response.Item, item)
			for _, request := range of.requests[r.ID] {
				response.BasedOn = appendReference(response.BasedOn, request)
			}
		}
		published, err := publishResponse(response)
		if err == nil && of.labels.holds(g.answers) {
			published, err = restricted(published)
		}
		if err != nil {
			return nil, err
		}
		published.Memo = memo
		list = append(list, published)
	}
	return list, nil
}

func answersQuestion(r result.Result) bool {
	return r.Category == "survey" || r.Category == "social-history"
}

func newResponse(s activities.Snapshot, id string, f form, status r4.QuestionnaireResponseStatus, authored string) r4.QuestionnaireResponse {
	subject, author, plan := reference(typePatient, s.Candidate), theProgramme(), evaluationPlan(s.Candidate)
	if f.name == followUpForm && hasRecoveryPlan(s) {
		plan = reference(typeCarePlan, recoveryPlanID(s.Candidate))
	}
	response := r4.QuestionnaireResponse{
		Id: &id, Status: status, Subject: &subject, Authored: optional(authored), Author: &author, BasedOn: []r4.Reference{plan},
	}
	if url := f.url(s.Protocol); url != "" {
		url += "|" + s.Protocol.Version
		response.Questionnaire = &url
	}
	return response
}

func answersStatus(list []result.Result) r4.QuestionnaireResponseStatus {
	has := func(statuses ...result.Status) bool {
		return slices.ContainsFunc(list, func(r result.Result) bool { return slices.Contains(statuses, r.Status) })
	}
	switch {
	case allOf(list, result.EnteredInError):
		return r4.QuestionnaireResponseStatusEnteredInError
	case allOf(list, result.EnteredInError, result.Cancelled):
		return r4.QuestionnaireResponseStatusStopped
	case has(result.Registered, result.Preliminary, result.Unknown):
		return r4.QuestionnaireResponseStatusInProgress
	case has(result.Amended, result.Corrected, result.EnteredInError):
		return r4.QuestionnaireResponseStatusAmended
	default:
		return r4.QuestionnaireResponseStatusCompleted
	}
}

// responseItem is one question with its answer, if there is one.
func responseItem(r result.Result) (r4.QuestionnaireResponseItem, error) {
	item := r4.QuestionnaireResponseItem{LinkId: r.Code.Code, Text: optional(r.Code.Display)}
	var a r4.QuestionnaireResponseItemAnswer
	switch v := r.Value; {
	case v.Quantity != nil:
		q, err := quantity(v.Quantity.Value.String(), v.Quantity.Unit, v.Quantity.Comparator)
		if err != nil {
			return item, err
		}
		a.ValueQuantity = q
	case v.Coding != nil && v.Coding.Code != "":
		coding := codingOf(*v.Coding)
		a.ValueCoding = &coding
	case v.Coding != nil && v.Coding.Display != "":
		a.ValueString = &v.Coding.Display
	case v.Text != "":
		a.ValueString = &v.Text
	default:
		return item, nil
	}
	item.Answer = []r4.QuestionnaireResponseItemAnswer{a}
	return item, nil
}

// disclosuresTold are those confirmed with each consent, the latest that names it.
func disclosuresTold(s activities.Snapshot, forms []form, of reported) ([]record.Resource, error) {
	var list []record.Resource
	for _, f := range forms {
		requirement, ok := strings.CutPrefix(f.name, disclosuresForm)
		if !ok {
			continue
		}
		var latest *activities.Told
		for i := range s.Told {
			if slices.Contains(s.Told[i].Requirements, requirement) {
				latest = &s.Told[i]
			}
		}
		if latest == nil {
			continue
		}
		id := resourceID(s.Candidate, f.name)
		memo := resultShape + " " + digestOf(s.Protocol.Canonical, s.Protocol.Version, strconv.FormatInt(latest.Seq, 10))
		if was, ok := of.kept(typeQuestionnaireResponse, id, memo); ok {
			list = append(list, was)
			continue
		}
		response := newResponse(s, id, f, r4.QuestionnaireResponseStatusCompleted, string(latest.On))
		response.Source = response.Subject // the candidate confirmed each line
		for _, item := range f.items {
			if slices.Contains(latest.Disclosures, item.ID) {
				response.Item = append(response.Item, confirmed(item, slices.Contains(latest.TeachBack, item.ID)))
			}
		}
		if len(response.Item) == 0 {
			continue
		}
		published, err := publishResponse(response)
		if err != nil {
			return nil, err
		}
		published.Memo = memo
		list = append(list, published)
	}
	return list, nil
}

func confirmed(of protocol.Item, givenBack bool) r4.QuestionnaireResponseItem {
	yes := true
	a := r4.QuestionnaireResponseItemAnswer{ValueBoolean: &yes}
	if givenBack {
		a.Item = []r4.QuestionnaireResponseItem{{LinkId: of.ID + teachBack, Answer: []r4.QuestionnaireResponseItemAnswer{{ValueBoolean: &yes}}}}
	}
	return r4.QuestionnaireResponseItem{LinkId: of.ID, Text: optional(of.Title), Answer: []r4.QuestionnaireResponseItemAnswer{a}}
}

func publishResponse(q r4.QuestionnaireResponse) (record.Resource, error) {
	meta := ""
	if q.Questionnaire != nil && q.Authored != nil {
		meta = metaQuestionnaireResponse
	}
	var x index
	x.date("authored", q.Authored)
	x.canonical("questionnaire", value(q.Questionnaire))
	x.code("status", systemAnswersStatus, q.Status.Code())
	x.optionalReference("author", q.Author)
	x.optionalReference("source", q.Source)
	x.reference("based-on", q.BasedOn...)
	return publish(typeQuestionnaireResponse, value(q.Id), meta, q, x)
}

// retireResponse says that there are no such answers any more, as retireReport.
func retireResponse(candidate, id string) (record.Resource, error) {
	subject := reference(typePatient, candidate)
	return publishResponse(r4.QuestionnaireResponse{Id: &id, Status: r4.QuestionnaireResponseStatusEnteredInError, Subject: &subject})
}
