package storetest

import (
	"context"
	"testing"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/store"
)

// A person's note is text, not a pattern; it is on record when it stands there whole.
func notesAreText(t *testing.T, open func() *store.DB) {
	db := open()
	seed(t, db)
	for _, c := range []struct {
		name string
		say  []string
		want string
	}{
		{"percent", []string{"100 of 100", "100%"}, "100 of 100; 100%"},
		{"underscore", []string{"lot AB1", "lot A_1"}, "lot AB1; lot A_1"},
		{"backslash", []string{`C:\seals`, `C:\seals`, `\`}, `C:\seals; \`},
		{"again", []string{"a", "b; c", "b; c", "a", "c"}, "a; b; c"},
		{"a part of another note", []string{"cleaned well", "clean"}, "cleaned well; clean"},
		{"capitals", []string{"Tape", "tape"}, "Tape; tape"},
		{"none", []string{"", "a", ""}, "a"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := coach.Service{Day: civil.Of(2026, 1, 5), Kind: coach.Clean, Slide: "galley", Run: c.name, By: "owner"}
			update(t, db, func(ctx context.Context, tx *store.Tx) error {
				for _, s.Note = range c.say {
					if err := tx.AddService(ctx, shop.ID, sample.ID, s); err != nil {
						return err
					}
				}
				one, _, err := tx.Coach(ctx, shop.ID, sample.ID)
				for _, got := range one.Services {
					if got.Run == c.name && got.Note != c.want {
						t.Errorf("%q, want %q", got.Note, c.want)
					}
				}
				return err
			})
		})
	}
}
