package journey

import "fmt"

// donorLinkDays is how long a link to the own page may live: as long as the recovery
// plan runs, a year, and some days. Common practice, no source.
const donorLinkDays = 400

func checkDonorLink(_ Rules, s State, c Command) *Refusal {
	latest := c.Today.AddDays(donorLinkDays)
	switch {
	case !s.Stage.BeforeOperation() && s.Outcome != Removed:
		return blocked(c.Kind, []Reason{{"kidney-removed", "", "no kidney was removed: there is no recovery plan to show"}})
	case !c.Today.Before(c.On) || latest.Before(c.On):
		return invalid("until", fmt.Sprintf("the last day of the link is after today and no later than %s", latest))
	}
	return nil
}

func checkRevocation(_ Rules, s State, c Command) *Refusal {
	if s.DonorLink == "" {
		return blocked(c.Kind, []Reason{{"donor-link", "", "no link to the own page is open"}})
	}
	return nil
}
