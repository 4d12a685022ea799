package store

import (
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
)

// Documents of before consent had channels keep each person's consent to mail.
func TestOldConsent(t *testing.T) {
	var c coach.Coach
	old := `{"ID":"a","People":[{"Name":"Ada","Consent":"2025-01-09"},{"Name":"Ben","Consent":""}]}`
	if err := decode(old, &c); err != nil {
		t.Fatal(err)
	}
	if got, ok := c.People[0].Agreed(coach.ByMail); !ok || got.Day != civil.Of(2025, 1, 9) {
		t.Errorf("Ada: %+v", c.People[0].Consents)
	}
	if len(c.People[1].Consents) != 0 {
		t.Errorf("Ben: %+v", c.People[1].Consents)
	}
	text, err := encode(&c)
	if err != nil {
		t.Fatal(err)
	}
	var again coach.Coach
	if err := decode(text, &again); err != nil || len(again.People[0].Consents) != 1 {
		t.Errorf("%+v %v", again.People, err)
	}
}
