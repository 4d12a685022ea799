package api

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"sealmanac/internal/intake"
)

// ErrorModel is a problem (RFC 9457). Programs tell problems apart by code; type leads to
// the code's line on the page about the API.
type ErrorModel struct {
	Type    string         `json:"type" format:"uri-reference" example:"/api/v1#problem-changed" doc:"Where this kind of problem is described: an anchor on the page at /api/v1. It is the same on every installation."`
	Code    string         `json:"code" example:"changed" doc:"The kind of problem in one word, which never changes. The page at /api/v1 lists all of them. Later versions may add some."`
	Title   string         `json:"title" example:"Precondition Failed" doc:"The HTTP status in words."`
	Status  int            `json:"status" example:"412" doc:"HTTP status code."`
	Detail  string         `json:"detail" example:"the coach was changed meanwhile" doc:"What is wrong with this request."`
	Hint    string         `json:"hint,omitempty" doc:"What to do about it."`
	Errors  []*ErrorDetail `json:"errors,omitempty" doc:"Everything that is wrong with the request."`
	Present any            `json:"present,omitempty" doc:"Its state now, when the request was about an earlier one."`
	Sent    any            `json:"sent,omitempty" doc:"What the request asked for, next to the present state."`
}

// ErrorDetail is one fault of what was sent.
type ErrorDetail struct {
	Message  string `json:"message,omitempty" doc:"What is wrong, and what is allowed."`
	Location string `json:"location,omitempty" example:"body.stays[0].from" doc:"Where it is: in the body, path, query or header."`
	Pointer  string `json:"pointer,omitempty" example:"#/stays/0/from" doc:"The same as a JSON pointer into the body (RFC 6901); # is the whole body."`
	Value    any    `json:"value,omitempty" doc:"The value that was sent there."`
}

// Error is the sentence that says what is wrong.
func (p *ErrorModel) Error() string { return p.Detail }

// GetStatus is the status of the answer.
func (p *ErrorModel) GetStatus() int { return p.Status }

// ContentType is that of problems.
func (p *ErrorModel) ContentType(string) string { return "application/problem+json" }

// problemKind is a kind of problem.
type problemKind struct {
	Code   string
	Status int
	Tells  string
}

// problemKinds are all kinds. The first of a status is what a problem is by its status
// alone.
var problemKinds = []problemKind{
	{"bad_request", 400, "The request cannot be read."},
	{"not_json", 400, "The body is missing, or is not one JSON value."},
	{"bad_address", 400, "The address has characters that no address has."},
	{"no_key", 401, "No key came with the request."},
	{"key_refused", 401, "The key is unknown, or has ended."},
	{"not_allowed", 403, "This key may not do that."},
	{"not_found", 404, "There is no such coach, task or endpoint in the account of this key."},
	{"no_operation", 404, "No operation has this address."},
	{"method_not_allowed", 405, "The address does not allow this method; the header Allow lists those it allows."},
	{"not_acceptable", 406, "We cannot answer in the media type of the header Accept."},
	{"too_slow", 408, "The body took too long to arrive."},
	{"conflict", 409, "The record, or another request, contradicts it."},
	{"external_id_taken", 409, "Another coach of the account has this external_id; the detail names it."},
	{"changed", 412, "Somebody changed it after you read it. The member present shows its state now; decide again."},
	{"exists", 412, "If-None-Match asked us to add it, but it already exists. The member present shows it."},
	{"too_large", 413, "The body is too large."},
	{"unsupported_media_type", 415, "The body is not JSON by its Content-Type."},
	{"invalid", 422, "The request has errors. The member errors lists all of them. Nothing was stored."},
	{"not_text", 422, "The request has bytes that are not text in UTF-8, or the character 0."},
	{"unknown_parameter", 422, "The operation has no query parameter of this name."},
	{"bad_cursor", 422, "The value of after does not belong to this list."},
	{"too_many_requests", 429, "The key sent too many requests. Wait as many seconds as Retry-After says."},
	{"internal", 500, "Something went wrong on our side."},
	{"unavailable", 503, "The service cannot answer now. Try again after as many seconds as Retry-After says."},
}

// init makes the errors of the library that serves operations into problems of ours: it
// asks for that by a variable of its own.
func init() {
	huma.NewError = func(status int, sentence string, errs ...error) huma.StatusError {
		p := problem(status, sentence, "")
		if sentence == "request body is required" {
			p.Hint = "Send one whole JSON value."
			return p.kind("not_json")
		}
		for _, err := range errs {
			if err == nil {
				continue
			}
			d := &ErrorDetail{Message: err.Error()}
			if e, ok := err.(huma.ErrorDetailer); ok { //nolint:errorlint // the library hands them over bare
				said := e.ErrorDetail()
				if body, ok := said.Value.(string); ok && said.Location == "body" && parserSaid(said.Message) {
					if p := notJSON([]byte(body)); p != nil {
						return p
					}
				}
				d = &ErrorDetail{Message: said.Message, Location: said.Location, Value: said.Value}
			}
			d.Pointer = pointer(d.Location)
			p.Errors = append(p.Errors, d)
		}
		return p
	}
}

// parserSaid reports whether a fault of a body is that it is no JSON, in the words of the
// parser.
func parserSaid(message string) bool {
	return strings.HasPrefix(message, "invalid character") || strings.HasPrefix(message, "unexpected end")
}

// problem returns a problem of the kind that its status has first.
func problem(status int, sentence, hint string) *ErrorModel {
	p := &ErrorModel{Status: status, Title: http.StatusText(status), Detail: sentence, Hint: hint}
	k := slices.IndexFunc(problemKinds, func(k problemKind) bool { return k.Status == status })
	if k < 0 {
		k = 0
	}
	return p.kind(problemKinds[k].Code)
}

// kind makes a problem one of a kind.
func (p *ErrorModel) kind(code string) *ErrorModel {
	p.Code, p.Type = code, Root+"#problem-"+code
	return p
}

// refuse answers with a problem.
func refuse(w http.ResponseWriter, status int, sentence, hint string) {
	answer(w, problem(status, sentence, hint))
}

func answer(w http.ResponseWriter, p *ErrorModel) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	_ = json.NewEncoder(w).Encode(p) // the caller may have gone
}

// pointer turns a place of the body, such as body.stays[0].from, into a JSON pointer; ""
// for other places.
func pointer(location string) string {
	rest, ok := strings.CutPrefix(location, "body")
	if !ok || rest != "" && rest[0] != '.' && rest[0] != '[' {
		return ""
	}
	rest = strings.NewReplacer("~", "~0", "/", "~1", "[", "/", "]", "", ".", "/").Replace(rest)
	return "#" + rest
}

// faulty is the problem of what package intake refused, one error a fault. sent gives a
// field of the record the name that it has in the body; "" when the body does not hold it.
func faulty(sentence string, ps intake.Problems, sent func(field string) string) *ErrorModel {
	p := problem(http.StatusUnprocessableEntity, sentence, "")
	for _, x := range ps.Wrong() {
		d := &ErrorDetail{Location: "body"}
		x.File, x.Line = "", 0
		if field := sent(x.Field); field != "" {
			x.Field, d.Location = field, "body."+field
			d.Pointer = pointer(d.Location)
		}
		d.Message = strings.TrimPrefix(x.String(), ": ")
		p.Errors = append(p.Errors, d)
	}
	return p
}

// recordField returns a function for faulty: for a body that is the record, or that holds
// one part of it as items.
func recordField(id, part string) func(string) string {
	return func(field string) string {
		field = strings.TrimPrefix(field, "coach "+id+".")
		if part == "" {
			return field
		}
		if rest, ok := strings.CutPrefix(field, part); ok && (rest == "" || rest[0] == '[' || rest[0] == '.') {
			return "items" + rest
		}
		return ""
	}
}

// reportedField returns a function for faulty, for a body that is the one entry of a list
// of the record. Such a body says day where the record says date.
func reportedField(list string) func(string) string {
	return func(field string) string {
		field = strings.TrimPrefix(field, list+"[0]")
		field = strings.TrimPrefix(field, ".")
		if field == "date" {
			return "day"
		}
		return field
	}
}
