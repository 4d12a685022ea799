package api

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/civil"
	"sealmanac/internal/desk"
	"sealmanac/internal/rulebook"
)

// personItem is a person of a coach.
type personItem struct {
	Coach    string        `json:"coach"`
	Name     string        `json:"name,omitempty"`
	Email    string        `json:"email,omitempty"`
	Phone    string        `json:"phone,omitempty"`
	Role     string        `json:"role"`
	Zone     string        `json:"zone,omitempty"`
	Units    string        `json:"units"`
	Language string        `json:"language,omitempty"`
	External string        `json:"external_id,omitempty"`
	Consents []consentItem `json:"consents,omitempty"`
	Stopped  bool          `json:"stopped" doc:"The person wants no reminders."`
	Bad      string        `json:"bad_address,omitempty" doc:"What a mail server said about the address, when no mail reaches it."`
}

type consentItem struct {
	Channel string     `json:"channel"`
	Date    civil.Date `json:"date" format:"date"`
	How     string     `json:"how,omitempty"`
}

func personOf(p desk.PersonRow) personItem {
	x := personItem{Coach: string(p.Coach), Name: p.Name, Email: p.Email, Phone: p.Phone, Role: string(p.Role),
		Zone: p.Zone, Units: string(p.Units), Language: p.Language, External: p.External, Stopped: p.Stopped, Bad: p.Bad}
	for _, c := range p.Consents {
		x.Consents = append(x.Consents, consentItem{string(c.Channel), c.Day, c.How})
	}
	return x
}

// Changed is how lists by the time of change are asked for.
type Changed struct {
	Page
	Since string `query:"changed_since" format:"date-time" example:"2026-02-10T09:00:00Z" doc:"Only coaches that changed after this time."`
}

// place returns the change time and name after which to read.
func (p *Changed) place() (at int64, name string, err error) {
	f, err := place(p.After, 2)
	if err != nil {
		return 0, "", err
	}
	if at, err = strconv.ParseInt("0"+f[0], 10, 64); err != nil { // "" is the beginning
		return 0, "", errCursor
	}
	if p.After == "" && p.Since != "" {
		since, err := time.Parse(time.RFC3339Nano, p.Since)
		if err != nil {
			return 0, "", problem(http.StatusUnprocessableEntity, "changed_since is not a time",
				"Write it as 2026-02-10T09:00:00Z.")
		}
		return since.UnixMicro(), "\U0010ffff", nil
	}
	return at, f[1], nil
}

// account are the operations that tell whose key it is, and of whom.
func (a *API) account(api huma.API) {
	type shop struct {
		Body struct {
			Account  string     `json:"account"`
			Name     string     `json:"name"`
			Postal   string     `json:"postal"`
			Email    string     `json:"email,omitempty"`
			Phone    string     `json:"phone,omitempty"`
			Zone     string     `json:"zone,omitempty"`
			Language string     `json:"language,omitempty"`
			Today    civil.Date `json:"today" format:"date" doc:"Today, in the time zone of the shop."`
		}
	}
	huma.Register(api, op("GET", "/account", "get-account", "Get the shop to which the key belongs"),
		func(ctx context.Context, _ *struct{}) (*shop, error) {
			s, today, err := a.Desk.Shop(ctx, who(ctx).Account)
			if err != nil {
				return nil, a.fail(err)
			}
			out := &shop{}
			b := &out.Body
			b.Account, b.Name, b.Postal, b.Email, b.Phone, b.Zone, b.Language, b.Today = string(s.ID), s.Name, s.Postal, s.Email,
				s.Phone, s.Zone, s.Language, today
			return out, nil
		})
	huma.Register(api, op("GET", "/people", "list-people",
		"List the people of all coaches, in the order of the last change of their coach; a page has limit coaches"),
		func(ctx context.Context, in *Changed) (*listed[personItem], error) {
			at, name, err := in.place()
			if err != nil {
				return nil, err
			}
			ps, last, err := a.Desk.PeopleAfter(ctx, who(ctx).Account, at, name, in.Limit)
			if err != nil {
				return nil, a.fail(err)
			}
			out := listOf(ps, personOf)
			if last != nil {
				out.Body.Next = cursor(strconv.FormatInt(last.Changed, 10), last.ID)
			}
			return out, nil
		})
	a.rules(api)
}

// rules are the rulebook that applies now, and its versions.
func (a *API) rules(api huma.API) {
	type figure struct {
		Path     string  `json:"path"`
		Value    float64 `json:"value"`
		Unit     string  `json:"unit"`
		Evidence string  `json:"evidence"`
		Source   string  `json:"source"`
	}
	type edition struct {
		Version string    `json:"version"`
		From    time.Time `json:"from"`
		Note    string    `json:"note,omitempty"`
	}
	type rules struct {
		Body struct {
			Version  string    `json:"version" doc:"The version that applies now."`
			Figures  []figure  `json:"figures"`
			Versions []edition `json:"versions" doc:"The versions that the account accepted, the newest first. Empty: it has the built-in version."`
		}
	}
	huma.Register(api, op("GET", "/rules", "get-rules", "Get the rulebook that applies now, and its versions"),
		func(ctx context.Context, _ *struct{}) (*rules, error) {
			p, err := a.Desk.RulesPage(ctx, who(ctx).Account)
			if err != nil {
				return nil, a.fail(err)
			}
			out := &rules{}
			out.Body.Version, out.Body.Versions = p.Rules.Version, []edition{}
			rulebook.Figures(p.Rules, func(path string, f rulebook.Figure) {
				out.Body.Figures = append(out.Body.Figures, figure{path, f.Value, f.Unit, string(f.Evidence), f.Source})
			})
			for _, v := range p.Versions {
				out.Body.Versions = append(out.Body.Versions, edition{v.Version, time.UnixMicro(v.MadeAt).UTC(), v.Note})
			}
			return out, nil
		})
}
