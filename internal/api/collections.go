package api

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/coach"
)

// CoachPart names a part of a coach's record in a path.
type CoachPart struct {
	OneCoach
	Part string `path:"part" enum:"people,stays,slides,services,readings,events,rentals,season,bookings" doc:"bookings is the older name of rentals."`
}

// field is the part's name in the record.
func (p *CoachPart) field() string {
	if p.Part == "bookings" {
		return "rentals"
	}
	return p.Part
}

// collections are the parts of a coach's record by themselves.
func (a *API) collections(api huma.API) {
	type whole struct {
		ETag string `header:"ETag"`
		Body struct {
			Items partItems `json:"items"`
		}
	}
	huma.Register(api, op("GET", "/coaches/{coach}/record/{part}", "get-part",
		"Get one part of a record: people, stays, slides (with edges and parts), services, readings, events, rentals or "+
			"season"),
		func(ctx context.Context, in *CoachPart) (*whole, error) {
			r, err := a.Desk.CoachRecord(ctx, who(ctx).Account, coach.ID(in.Coach))
			if err != nil {
				return nil, a.fail(err)
			}
			parts, err := r.Parts()
			if err != nil {
				return nil, a.fail(err)
			}
			out := &whole{ETag: etag(r.Version)}
			if out.Body.Items.RawMessage = parts[in.field()]; out.Body.Items.RawMessage == nil {
				out.Body.Items.RawMessage = json.RawMessage("[]")
				if in.Part == "season" {
					out.Body.Items.RawMessage = json.RawMessage("{}")
				}
			}
			return out, nil
		})
	put := op("PUT", "/coaches/{coach}/record/{part}", "put-part", "Replace one part of a record; the rest stays")
	put.SkipValidateBody = true // package intake judges it
	huma.Register(api, put, func(ctx context.Context, in *struct {
		CoachPart
		IfMatch string `header:"If-Match"`
		Body    struct {
			Items partItems `json:"items"`
		}
	}) (*tagged, error) {
		var short bytes.Buffer
		_ = json.Compact(&short, in.Body.Items.RawMessage) // it was read as JSON
		items := short.String()
		if items == "" || items == "null" {
			return nil, problem(http.StatusUnprocessableEntity, "items is missing", `Send {"items": [...]}; an empty list removes all entries.`)
		}
		r, err := a.Desk.CoachRecord(ctx, who(ctx).Account, coach.ID(in.Coach))
		if err != nil {
			return nil, a.fail(err)
		}
		match := in.IfMatch
		if match == "" || match == "*" {
			match = etag(r.Version) // what was read a moment ago must still hold
		}
		parts, err := r.Parts()
		if err != nil {
			return nil, a.fail(err)
		}
		parts[in.field()] = in.Body.Items.RawMessage
		if in.Part == "season" && (items == "{}" || items == "[]") {
			delete(parts, in.Part)
		}
		text, err := json.Marshal(parts)
		if err != nil {
			return nil, a.fail(err)
		}
		return a.putCoach(ctx, in.Coach, in.field(), match, "", text)
	})
}
