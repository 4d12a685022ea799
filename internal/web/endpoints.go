package web

import (
	"net/http"

	"sealmanac/internal/access"
	"sealmanac/internal/desk"
	"sealmanac/internal/fault"
	"sealmanac/internal/webhook"
)

// endpointView is an endpoint as the page of people and keys shows it.
type endpointView struct {
	desk.Endpoint
	Words   string
	Waiting int64
}

func (s *Site) endpoints(r *http.Request, w access.Who) (out []endpointView, err error) {
	es, head, err := s.Desk.Endpoints(r.Context(), w.Account)
	for _, e := range es {
		out = append(out, endpointView{e, webhook.Words(e), max(0, head-e.Seq)})
	}
	return out, err
}

func (s *Site) addEndpoint(r *http.Request, w access.Who) (view, error) {
	key := webhook.NewKey(false)
	if _, err := s.Desk.AddEndpoint(r.Context(), w.Account, w.Email, r.FormValue("url"), nil, key,
		webhook.Name(), webhook.Names); err != nil {
		return view{}, err
	}
	return s.peopleView(r, w, "", webhook.Public(key))
}

// changeEndpoint does what a button of an endpoint says.
func (s *Site) changeEndpoint(r *http.Request, w access.Who) (view, error) {
	name := r.PathValue("endpoint")
	var err error
	done := "saved"
	switch r.FormValue("do") {
	case "test":
		done, err = "tested", s.Desk.TestEndpoint(r.Context(), w.Account, w.Email, name)
	case "live":
		_, err = s.Desk.Revive(r.Context(), w.Account, w.Email, name)
	case "key":
		key := webhook.NewKey(false)
		if _, err = s.Desk.RotateKey(r.Context(), w.Account, w.Email, name, key); err == nil {
			return s.peopleView(r, w, "", webhook.Public(key))
		}
	case "remove":
		done, err = "removed", s.Desk.DropEndpoint(r.Context(), w.Account, w.Email, name)
	default:
		err = fault.New(fault.Invalid, "unknown action", "Use the buttons of the page.")
	}
	if err != nil {
		return view{}, err
	}
	return goTo("/people", done)
}
