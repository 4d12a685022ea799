package httpkit

import (
	"io"
	"net/http"
	"time"
)

// The time limits of a connection: for a body to come, for the files of a path that takes
// files, and for an answer to go.
const (
	bodyTime   = 30 * time.Second
	uploadTime = 3 * time.Minute // pictures from the yard
	answerTime = 60 * time.Second
)

// comeBack is when to try again after an answer of 503, in seconds.
const comeBack = "5"

// bounded limits the size of a request's body, and ends the time for it where it ends. A
// deadline that stayed on the connection would cancel the request while it works: the
// server reads on, to see whether the caller has gone.
func bounded(w http.ResponseWriter, r *http.Request, most int64) io.ReadCloser {
	over := func() { _ = http.NewResponseController(w).SetReadDeadline(time.Time{}) }
	if r.ContentLength == 0 {
		over()
	}
	return &body{http.MaxBytesReader(w, r.Body, most), over}
}

type body struct {
	io.ReadCloser
	over func()
}

// Read reads on, and notes the end.
func (b *body) Read(p []byte) (int, error) {
	n, err := b.ReadCloser.Read(p)
	if err == io.EOF { //nolint:errorlint // readers return it bare
		b.over()
	}
	return n, err
}
