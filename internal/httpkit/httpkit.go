// Package httpkit is the middleware every page shares: security headers, a
// limit on bodies, recovery from panics, a log line and same-origin posts.
//
// It imports fault. Package daemon wraps its handlers in it.
package httpkit

import (
	"encoding/json"
	"log/slog"
	"net/http"
	"runtime/debug"
	"strings"
	"time"
	"unicode/utf8"

	"sealmanac/internal/fault"
)

// MaxBody is the largest request body that is read: 1 MiB; MaxUpload that of the paths
// which take files: 20 MiB; MaxBulk that of bulks of the API: 64 MiB.
const (
	MaxBody   = 1 << 20
	MaxUpload = 20 << 20
	MaxBulk   = 64 << 20
)

// policy allows our own style sheet, script and forms, and nothing else; blob: is for
// the browser's own preview of a picture about to be sent.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; " +
	"worker-src 'self'; manifest-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

// Wrap puts the middleware around a handler. Posts from another site's page are
// refused (http.CrossOriginProtection); posts without a browser's marks pass, as
// mail providers' one-click unsubscribe needs, and so do those to the API: its requests
// carry a key, which no other site's page has, and never a cookie.
func Wrap(h http.Handler, log *slog.Logger) http.Handler {
	same := http.NewCrossOriginProtection()
	same.AddInsecureBypassPattern("/api/")
	h = same.Handler(h)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		head := w.Header()
		head.Set("Content-Security-Policy", policy)
		head.Set("X-Content-Type-Options", "nosniff")
		// links carry tokens; no-referrer would also hide our own Origin from the check above
		head.Set("Referrer-Policy", "same-origin")
		head.Set("Cache-Control", "no-store")
		// a file field may still open the camera
		head.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()")
		head.Set("Cross-Origin-Opener-Policy", "same-origin")
		head.Set("Cross-Origin-Resource-Policy", "same-origin")
		head.Set("X-Robots-Tag", "noindex, nofollow") // addresses of owners' pages carry tokens
		most := int64(MaxBody)
		if r.Method == http.MethodPost && (strings.HasSuffix(r.URL.Path, "/attach") || r.URL.Path == "/import" ||
			r.URL.Path == "/api/v1/coaches/bulk") {
			if most = MaxUpload; strings.HasPrefix(r.URL.Path, "/api/") {
				most = MaxBulk
			}
			_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(uploadTime))
		}
		r.Body = bounded(w, r, most)
		if strings.ContainsRune(r.URL.Path+r.URL.RawQuery, 0) || strings.Contains(r.URL.RawQuery, "%00") ||
			!utf8.ValidString(r.URL.Path) {
			tell(w, r, http.StatusBadRequest, "bad_address", "This address has characters that no address has.")
			return
		}
		rec := &recorder{ResponseWriter: w, status: http.StatusOK}
		begun := time.Now()
		defer func() {
			if p := recover(); p != nil {
				log.Error("request panicked", "panic", p, "stack", string(debug.Stack()))
				if !rec.wrote {
					tell(rec, r, http.StatusInternalServerError, "internal", "Something went wrong on our side. Please try again.")
				}
			}
			// The pattern, not the path: paths hold tokens.
			log.Info("request served", "method", r.Method, "pattern", r.Pattern, "status", rec.status, "ms",
				time.Since(begun).Milliseconds())
		}()
		h.ServeHTTP(rec, r)
	})
}

// OverTLS tells browsers to come back by https only, for a year.
func OverTLS(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Strict-Transport-Security", "max-age=31536000")
		h.ServeHTTP(w, r)
	})
}

// tell answers a request that its handler does not answer: programs get a problem (RFC
// 9457) in the form of package api, people a line of text.
func tell(w http.ResponseWriter, r *http.Request, status int, code, sentence string) {
	if !strings.HasPrefix(r.URL.Path, "/api/") {
		http.Error(w, sentence, status)
		return
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(map[string]any{ // the caller may have gone
		"type": "/api/v1#problem-" + code, "code": code, "title": http.StatusText(status), "status": status,
		"detail": sentence,
	})
}

type recorder struct {
	http.ResponseWriter
	status int
	wrote  bool
}

// WriteHeader begins the answer. The time for it counts from here: however long the
// request was at work, its answer is not lost.
func (r *recorder) WriteHeader(status int) {
	if !r.wrote {
		_ = http.NewResponseController(r.ResponseWriter).SetWriteDeadline(time.Now().Add(answerTime))
	}
	if status == http.StatusServiceUnavailable && r.Header().Get("Retry-After") == "" {
		r.Header().Set("Retry-After", comeBack)
	}
	r.status, r.wrote = status, true
	r.ResponseWriter.WriteHeader(status)
}

// Unwrap lets http.ResponseController reach the connection.
func (r *recorder) Unwrap() http.ResponseWriter { return r.ResponseWriter }

func (r *recorder) Write(b []byte) (int, error) {
	if !r.wrote {
		r.WriteHeader(http.StatusOK)
	}
	return r.ResponseWriter.Write(b)
}

// Status is the one table from kinds of failure to HTTP status codes.
func Status(err error) int {
	switch fault.KindOf(err) {
	case fault.Invalid:
		return http.StatusBadRequest
	case fault.NotFound:
		return http.StatusNotFound
	case fault.Conflict:
		return http.StatusConflict
	case fault.Denied:
		return http.StatusForbidden
	case fault.Unavailable:
		return http.StatusServiceUnavailable
	default:
		return http.StatusInternalServerError
	}
}

// Server returns an HTTP server with time limits on every step.
func Server(h http.Handler) *http.Server {
	return &http.Server{Handler: h, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: bodyTime, WriteTimeout: answerTime,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 32 << 10}
}
