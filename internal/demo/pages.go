package demo

import (
	"embed"
	"html/template"
	"log/slog"
	"net"
	"net/http"
	"strconv"

	"sealmanac/internal/httpkit"
	"sealmanac/internal/mailbox"
)

//go:embed mailbox.html mailbox.css
var files embed.FS

var page = template.Must(template.ParseFS(files, "mailbox.html"))

// MailboxURL returns where the mails can be read.
func (d *Demo) MailboxURL() string { return "http://" + d.pagesAt + "/" }

type list struct {
	Messages []mailbox.Message
	Open     *mailbox.Message
	Index    int
}

// servePages shows the mailbox on a loopback address of its own.
func (d *Demo) servePages() error {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	d.pagesAt = l.Addr().String()
	mux := http.NewServeMux()
	mux.Handle("GET /mailbox.css", http.FileServerFS(files))
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		render(w, list{Messages: d.Mailbox.Messages(), Index: -1})
	})
	mux.HandleFunc("GET /{n}", d.message(func(w http.ResponseWriter, m []mailbox.Message, i int) {
		render(w, list{m, &m[i], i})
	}))
	mux.HandleFunc("GET /{n}/html", d.message(func(w http.ResponseWriter, m []mailbox.Message, i int) {
		// The mail's own style is inline; it may do nothing else.
		w.Header().Set("Content-Security-Policy",
			"default-src 'none'; style-src 'unsafe-inline'; sandbox allow-popups allow-top-navigation-by-user-activation")
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = w.Write([]byte(m[i].HTML))
	}))
	d.pages = httpkit.Server(httpkit.Wrap(mux, slog.New(slog.DiscardHandler)))
	go func() { _ = d.pages.Serve(l) }() // ends with Close
	return nil
}

func (d *Demo) message(show func(http.ResponseWriter, []mailbox.Message, int)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		m := d.Mailbox.Messages()
		i, err := strconv.Atoi(r.PathValue("n"))
		if err != nil || i < 0 || i >= len(m) {
			http.Error(w, "There is no such mail.", http.StatusNotFound)
			return
		}
		show(w, m, i)
	}
}

func render(w http.ResponseWriter, l list) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_ = page.Execute(w, l) // the reader may have gone
}
