package cli

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/mattn/go-isatty"
	"github.com/schollz/progressbar/v3"
)

// patience is how long a command may work without a word.
const patience = 2 * time.Second

// between is how often a line says that work goes on, where there is no terminal.
const between = 10 * time.Second

// watch runs work. When it takes longer than patience, standard error says that it goes on:
// a terminal shows it moving, a file gets a line now and then.
func (e *env) watch(what string, work func() error) error {
	begun, over, quiet := e.now(), make(chan struct{}), make(chan struct{})
	wait := e.wait
	if wait == nil {
		wait = time.After
	}
	go func() {
		defer close(quiet)
		next := wait(patience)
		var bar *progressbar.ProgressBar
		for {
			select {
			case <-over:
				if bar != nil {
					_ = bar.Finish() // a sign on the terminal
				}
				return
			case <-next:
			}
			if !onTerminal(e.err) {
				fmt.Fprintf(e.err, "%s: %d s so far\n", what, int(e.now().Sub(begun).Seconds()))
				next = wait(between)
				continue
			}
			if bar == nil {
				bar = progressbar.NewOptions(-1, progressbar.OptionSetWriter(e.err), progressbar.OptionSetDescription(what),
					progressbar.OptionSpinnerType(14), progressbar.OptionClearOnFinish(), progressbar.OptionSetElapsedTime(true))
			}
			_ = bar.Add(1) // a sign on the terminal
			next = wait(200 * time.Millisecond)
		}
	}()
	err := work()
	close(over)
	<-quiet
	return err
}

func onTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && isatty.IsTerminal(f.Fd())
}
