package httpkit

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"strings"
)

// Fresh answers a GET with a body and its ETag, or with 304 when the caller names that
// ETag in If-None-Match (RFC 9110, 13.1.2). An ETag that was set already stays; another
// is made from the body.
func Fresh(w http.ResponseWriter, r *http.Request, body []byte) {
	h := w.Header()
	if h.Get("ETag") == "" {
		sum := sha256.Sum256(body)
		h.Set("ETag", `"`+hex.EncodeToString(sum[:12])+`"`)
	}
	if names(r.Header.Values("If-None-Match"), h.Get("ETag")) {
		h.Del("Content-Type")
		h.Del("Content-Length")
		h.Del("Content-Disposition")
		w.WriteHeader(http.StatusNotModified)
		return
	}
	w.WriteHeader(http.StatusOK)
	_, _ = w.Write(body) // the reader may have gone
}

// names reports whether a list of ETags holds one, by the weak comparison.
func names(lists []string, tag string) bool {
	tag = strings.TrimPrefix(tag, "W/")
	for _, list := range lists {
		for one := range strings.SplitSeq(list, ",") {
			one = strings.TrimSpace(one)
			if one == "*" || strings.TrimPrefix(one, "W/") == tag {
				return true
			}
		}
	}
	return false
}

// Revalidated serves a handler of GETs whose good answers carry an ETag and may be asked
// for with If-None-Match. It holds each good answer until it is whole.
func Revalidated(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		x := &held{ResponseWriter: w}
		h.ServeHTTP(x, r)
		if !x.sent {
			Fresh(w, r, x.body.Bytes())
		}
	})
}

// held keeps an answer of 200 and lets others through.
type held struct {
	http.ResponseWriter
	body bytes.Buffer
	sent bool // it is another answer, and on its way
}

// WriteHeader lets every status but 200 through.
func (x *held) WriteHeader(status int) {
	if status != http.StatusOK {
		x.sent = true
		x.ResponseWriter.WriteHeader(status)
	}
}

// Write keeps the body of a 200.
func (x *held) Write(b []byte) (int, error) {
	if x.sent {
		return x.ResponseWriter.Write(b)
	}
	return x.body.Write(b)
}

// Unwrap lets http.ResponseController reach the connection.
func (x *held) Unwrap() http.ResponseWriter { return x.ResponseWriter }
