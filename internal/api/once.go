package api

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"unicode"
	"unicode/utf8"

	"sealmanac/internal/access"
	"sealmanac/internal/desk"
)

// longestKey is how long an Idempotency-Key may be.
var longestKey = 200

const keyHelp = "A text of your choice, such as a UUID, new for each request. If you send the same request again " +
	"with the same key within a day, you get the first answer, and nothing is done twice. If the first request is still " +
	"running, the answer is 409. After an answer of 500 or more, send the request again with the same key."

// badKey says what is wrong with an Idempotency-Key; "": nothing.
func badKey(key string) string {
	switch {
	case len(key) > longestKey:
		return fmt.Sprintf("the Idempotency-Key is longer than %d characters", longestKey)
	case !utf8.ValidString(key):
		return "the Idempotency-Key is not UTF-8"
	case strings.ContainsFunc(key, unicode.IsControl):
		return "the Idempotency-Key has control characters"
	}
	return ""
}

// once answers a post that carries an Idempotency-Key: the first runs, repeats within a
// day get the same answer. Answers from 500 on are not kept: the request came to nothing,
// and the same key may try again.
func (a *API) once(w http.ResponseWriter, r *http.Request, who access.Who, key string, next http.Handler) {
	if bad := badKey(key); bad != "" {
		refuse(w, http.StatusBadRequest, bad, "Use a UUID.")
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, MaxBulk))
	if err != nil {
		refuse(w, http.StatusRequestEntityTooLarge, "the body is too large", "Send smaller bulks.")
		return
	}
	sum := sha256.Sum256(append([]byte(r.URL.Path+"\n"+who.Email+"\n"), body...))
	r.Body = io.NopCloser(io.MultiReader(bytes.NewReader(body), r.Body)) // its end ends the time for it once more
	said, ran, err := a.Desk.Once(r.Context(), who.Account, who.Email+" "+key, hex.EncodeToString(sum[:]),
		func() (desk.KeptAnswer, bool) {
			rec := &keeper{ResponseWriter: w, status: http.StatusOK}
			next.ServeHTTP(rec, r)
			head := w.Header()
			return desk.KeptAnswer{Status: rec.status, Body: rec.body.String(), MediaType: head.Get("Content-Type"),
				ETag: head.Get("ETag"), Location: head.Get("Location")}, rec.status < 500
		})
	switch {
	case ran && err != nil:
		a.Log.Error("an answer could not be kept; its Idempotency-Key may run again", "err", err)
	case err != nil:
		if p, ok := errors.AsType[*ErrorModel](a.fail(err)); ok {
			answer(w, p)
		}
	case !ran:
		replay(w, said)
	}
}

// replay answers as the first request was answered.
func replay(w http.ResponseWriter, said desk.KeptAnswer) {
	media := "application/json"
	if said.Status >= 400 {
		media = "application/problem+json"
	}
	head := w.Header()
	head.Set("Content-Type", cmp.Or(said.MediaType, media))
	head.Set("Idempotency-Replayed", "true")
	for name, value := range map[string]string{"ETag": said.ETag, "Location": said.Location} {
		if value != "" {
			head.Set(name, value)
		}
	}
	w.WriteHeader(said.Status)
	_, _ = io.WriteString(w, said.Body) // the caller may have gone
}

// keeper writes an answer and keeps it.
type keeper struct {
	http.ResponseWriter
	status int
	body   bytes.Buffer
}

// WriteHeader keeps the status.
func (k *keeper) WriteHeader(status int) {
	k.status = status
	k.ResponseWriter.WriteHeader(status)
}

// Write keeps the body.
func (k *keeper) Write(b []byte) (int, error) {
	k.body.Write(b)
	return k.ResponseWriter.Write(b)
}
