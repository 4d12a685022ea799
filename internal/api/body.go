package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"
)

// unread is the problem of a request that no operation can read, whatever it is about:
// characters that databases refuse, another form than JSON, half of it. Bulks are looked
// at where they are read.
func unread(r *http.Request) *ErrorModel {
	text := func(s string) bool { return utf8.ValidString(s) && !strings.ContainsRune(s, 0) }
	noText := problem(http.StatusUnprocessableEntity, "the request contains invalid characters",
		"Send UTF-8 without the character U+0000.").kind("not_text")
	if !text(r.URL.Path) {
		return noText
	}
	query, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return problem(http.StatusUnprocessableEntity, "the query of the address cannot be read",
			"Write % as %25, and ; as %3B.").kind("bad_address")
	}
	for k, vs := range query {
		if !text(k) || slices.ContainsFunc(vs, func(v string) bool { return !text(v) }) {
			return noText
		}
	}
	if r.Body == nil || r.Method == http.MethodGet || r.URL.Path == Root+"/coaches/bulk" {
		return nil
	}
	body, err := io.ReadAll(r.Body)
	if tooLarge, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return problem(http.StatusRequestEntityTooLarge, "the body is too large",
			fmt.Sprintf("Send at most %d bytes.", tooLarge.Limit))
	}
	// what else goes wrong is told where it is read again
	r.Body = io.NopCloser(io.MultiReader(bytes.NewReader(body), r.Body))
	if len(body) == 0 {
		return nil
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err == nil && kind != "application/json" &&
		!strings.HasSuffix(kind, "+json") {
		return problem(http.StatusUnsupportedMediaType, "the body is "+kind, "Send application/json.")
	}
	if !text(string(body)) || bytes.Contains(body, []byte(`\u0000`)) {
		return noText
	}
	return notJSON(body)
}

// notJSON is the problem of a body that is not one JSON value; nil when it is. It says
// so in words of ours: those of the parser are for programmers in Go.
func notJSON(body []byte) *ErrorModel {
	var whole json.RawMessage
	err := json.Unmarshal(body, &whole)
	if err == nil {
		return nil
	}
	sentence, hint := "the body is not JSON", "Send one whole JSON value."
	at, placed := errors.AsType[*json.SyntaxError](err)
	switch {
	case bytes.HasPrefix(body, []byte("\ufeff")):
		sentence, hint = "the body is not JSON: it begins with a byte order mark", "Send UTF-8 without it."
	case errors.Is(json.NewDecoder(bytes.NewReader(body)).Decode(&whole), io.ErrUnexpectedEOF):
		sentence = fmt.Sprintf("the body is not JSON: it ends at byte %d, before its value does", len(body))
	case placed:
		sentence = fmt.Sprintf("the body is not JSON at byte %d", at.Offset)
	}
	return problem(http.StatusBadRequest, sentence, hint).kind("not_json")
}

// mostShown is how much of a value that was sent an error shows again.
const mostShown = 200

// brief keeps the errors of a problem short, and free of words about our types.
func brief(_ huma.Context, _ string, v any) (any, error) {
	p, ok := v.(*ErrorModel)
	if !ok {
		return v, nil
	}
	for _, e := range p.Errors {
		if s, ok := e.Value.(string); ok && len(s) > mostShown {
			e.Value = strings.ToValidUTF8(s[:mostShown], "") + "..."
		}
		if strings.Contains(e.Message, "Go value") || strings.Contains(e.Message, "Go struct") {
			e.Message = "does not have the expected form: see the schema of this operation"
		}
	}
	return p, nil
}

// asked returns what each operation may be asked in its address, by the operation's
// pattern.
func asked(doc *huma.OpenAPI) map[string][]string {
	out := map[string][]string{}
	for _, o := range operationsOf(doc) {
		names := []string{}
		for _, p := range o.Parameters {
			if p.In == "query" {
				names = append(names, p.Name)
			}
		}
		out[o.Method+" "+o.Path] = names
	}
	return out
}

// unknown is the problem of a question that nobody would answer: a filter with a slip in
// its name must not give everything.
func unknown(r *http.Request, mux *http.ServeMux, known map[string][]string) *ErrorModel {
	_, pattern := mux.Handler(r)
	names, ok := known[pattern]
	if !ok {
		return nil
	}
	for k := range r.URL.Query() {
		if !slices.Contains(names, k) {
			hint := "This operation has no query parameters."
			if len(names) > 0 {
				hint = "Its query parameters are: " + strings.Join(names, ", ") + "."
			}
			p := problem(http.StatusUnprocessableEntity, fmt.Sprintf("there is no query parameter %q here", k), hint)
			return p.kind("unknown_parameter")
		}
	}
	return nil
}

// revalidated reports whether answers of an operation carry an ETag that may be asked
// for with If-None-Match.
func revalidated(o *huma.Operation) bool {
	return o.Method == http.MethodGet && o.OperationID != "list-changes"
}

// heads writes into the document which headers come with the answers.
func heads(doc *huma.OpenAPI) {
	text := &huma.Schema{Type: huma.TypeString}
	pace := map[string]*huma.Param{
		"RateLimit": {Description: "How many requests are left in this minute (draft-ietf-httpapi-ratelimit-headers).",
			Schema: text},
		"RateLimit-Policy": {Description: "How many requests a minute has.", Schema: text},
	}
	for _, o := range operationsOf(doc) {
		for _, p := range o.Parameters {
			p.Deprecated = p.Schema != nil && p.Schema.Deprecated
		}
		if revalidated(o) {
			o.Parameters = append(o.Parameters, &huma.Param{Name: "If-None-Match", In: "header", Schema: text,
				Description: "ETag of the answer that you have."})
			o.Responses["304"] = &huma.Response{Description: "Nothing has changed since the answer that you have."}
		}
		for status, r := range o.Responses {
			if r.Headers == nil {
				r.Headers = map[string]*huma.Param{}
			}
			maps.Copy(r.Headers, pace)
			switch {
			case status == "401":
				r.Headers = map[string]*huma.Param{"WWW-Authenticate": {Description: "Which key is needed, and what is wrong " +
					"with the one that you sent.", Schema: text}}
			case status == "429", status == "503":
				r.Headers["Retry-After"] = &huma.Param{Description: "Seconds to wait.", Schema: text}
			case status == "405":
				r.Headers["Allow"] = &huma.Param{Description: "The methods that this address allows.", Schema: text}
			case revalidated(o) && status == "200":
				r.Headers["ETag"] = &huma.Param{Schema: text, Description: "The state of this answer. " +
					"Send it as If-None-Match; the answer is 304 when nothing has changed."}
			case o.Method == http.MethodPost && status[0] == '2':
				r.Headers["Idempotency-Replayed"] = &huma.Param{Description: "true: this is the answer to the first request " +
					"with the key, and nothing was done now.", Schema: text}
			}
		}
	}
}
