package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"
)

// unread is the problem of a request that no operation can read, whatever it is about:
// characters that databases refuse, another form than JSON, half of it. Bulks are looked
// at where they are read.
func unread(r *http.Request) *huma.ErrorModel {
	text := func(s string) bool { return utf8.ValidString(s) && !strings.ContainsRune(s, 0) }
	noText := problem(http.StatusUnprocessableEntity, "the request has characters that are no text", "Send UTF-8 without the character 0.")
	if !text(r.URL.Path) {
		return noText
	}
	for k, vs := range r.URL.Query() {
		if !text(k) || slices.ContainsFunc(vs, func(v string) bool { return !text(v) }) {
			return noText
		}
	}
	if r.Body == nil || r.Method == http.MethodGet || r.URL.Path == Root+"/coaches/bulk" {
		return nil
	}
	body, err := io.ReadAll(r.Body)
	if tooLarge, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return problem(http.StatusRequestEntityTooLarge, "the body is too large", fmt.Sprintf("Send at most %d bytes.", tooLarge.Limit))
	}
	r.Body = io.NopCloser(io.MultiReader(bytes.NewReader(body), r.Body)) // what else goes wrong is told where it is read again
	if len(body) == 0 {
		return nil
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err == nil && kind != "application/json" && !strings.HasSuffix(kind, "+json") {
		return problem(http.StatusUnsupportedMediaType, "the body is "+kind, "Send application/json.")
	}
	if !text(string(body)) || bytes.Contains(body, []byte(`\u0000`)) {
		return noText
	}
	var any json.RawMessage
	if err := json.Unmarshal(body, &any); err != nil {
		where := ""
		if at, ok := errors.AsType[*json.SyntaxError](err); ok {
			where = fmt.Sprintf(" at byte %d", at.Offset)
		}
		return problem(http.StatusBadRequest, "the body is not JSON"+where+": "+err.Error(), "Send one JSON value, whole.")
	}
	return nil
}

// mostShown is how much of a value that was sent an error shows again.
const mostShown = 200

// brief keeps the errors of a problem short, and free of words about our types.
func brief(_ huma.Context, _ string, v any) (any, error) {
	p, ok := v.(*huma.ErrorModel)
	if !ok {
		return v, nil
	}
	for _, e := range p.Errors {
		if s, ok := e.Value.(string); ok && len(s) > mostShown {
			e.Value = strings.ToValidUTF8(s[:mostShown], "") + "..."
		}
		if strings.Contains(e.Message, "Go value") || strings.Contains(e.Message, "Go struct") {
			e.Message = "has another form than is asked for: see the schema of this operation"
		}
	}
	return p, nil
}
