package journey

import "fmt"

// questionnaireDays is how long a link to a questionnaire may live: common practice,
// no source.
const questionnaireDays = 90

func checkQuestionnaire(_ Rules, _ State, c Command) *Refusal {
	latest := c.Today.AddDays(questionnaireDays)
	if !c.Today.Before(c.On) || latest.Before(c.On) {
		return invalid("until", fmt.Sprintf("the last day of the link is after today and no later than %s", latest))
	}
	return nil
}

// checkAskToStop lets it be said by any link of the candidate's.
func checkAskToStop(_ Rules, s State, c Command) *Refusal {
	for _, last := range []Date{s.Questionnaire, s.DonorLink} {
		if last != "" && !last.Before(c.Today) {
			return nil
		}
	}
	return blocked(c.Kind, []Reason{{"own-link", "", "no link of the candidate's is open"}})
}

func checkOpenQuestionnaire(_ Rules, s State, c Command) *Refusal {
	if s.Questionnaire == "" || c.Kind != RevokeQuestionnaire && s.Questionnaire.Before(c.Today) {
		return blocked(c.Kind, []Reason{{"questionnaire", "", "no link to a questionnaire is open"}})
	}
	return nil
}
