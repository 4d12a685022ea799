package desk

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"strings"

	"sealmanac/internal/civil"
	"sealmanac/internal/coach"
	"sealmanac/internal/fault"
	"sealmanac/internal/store"
)

// Bounds of what is attached: bytes as sent, and the longer side in pixels as kept.
const (
	MostAttached = 15 << 20
	mostPixels   = 24_000_000
	mostDecoded  = 128 << 20 // bytes of the picture in memory
	longSide     = 1600
	thumbSide    = 240
)

// File is a picture or paper as somebody sent it.
type File struct {
	Slide coach.SlideID
	Run   string
	Day   civil.Date // 0: today
	Name  string
	Data  []byte
}

// Attach keeps a picture, made smaller, turned upright and freed of what the camera
// hid in it, or a PDF. The same file is kept once.
func (d *Desk) Attach(ctx context.Context, id coach.AccountID, by string, c coach.ID, f File) error {
	if len(f.Data) == 0 || len(f.Data) > MostAttached {
		return fault.New(fault.Invalid, fmt.Sprintf("the file has %d bytes", len(f.Data)),
			fmt.Sprintf("Send a picture or PDF of up to %d MiB.", MostAttached>>20))
	}
	sum := sha256.Sum256(append([]byte(string(f.Slide)+"|"+f.Run+"|"), f.Data...))
	a := store.Attachment{Coach: string(c), ID: hex.EncodeToString(sum[:8]), Slide: string(f.Slide), Run: f.Run,
		Name: oneLine(f.Name, 120), MadeBy: by}
	switch kind := http.DetectContentType(f.Data); {
	case kind == "application/pdf":
		a.Media, a.Body = kind, f.Data
	case strings.HasPrefix(kind, "image/"):
		var err error
		if a.Body, a.Thumb, err = shrink(ctx, f.Data); err != nil {
			return err
		}
		a.Media = "image/jpeg"
	default:
		return fault.New(fault.Invalid, "this is neither a picture nor a PDF", "Send JPEG, PNG, GIF or PDF.")
	}
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		acc, err := tx.Account(ctx, id, false)
		if err != nil {
			return err
		}
		now, _, err := tx.Coach(ctx, id, c)
		if err != nil {
			return err
		}
		if f.Day == 0 {
			f.Day = d.today(acc)
		}
		if err := (Records{Services: []coach.Service{{Day: f.Day, Kind: coach.Inspect, Slide: f.Slide,
			Run: f.Run}}}).check(&now, d.today(acc)); err != nil {
			return err
		}
		a.Day = f.Day.String()
		if err := tx.AddAttachment(ctx, id, a); err != nil {
			return err
		}
		return tx.AddAudit(ctx, id, by, "attached", string(c), a.Name)
	})
}

var errNoPicture = fault.New(fault.NotFound, "there is no such picture or paper", "Go back to the coach.")

// Attachment returns a picture or paper.
func (d *Desk) Attachment(
	ctx context.Context, id coach.AccountID, c coach.ID, attachment string,
) (a store.Attachment, err error) {
	err = d.DB.View(ctx, func(tx *store.Tx) error {
		a, err = tx.AttachmentByID(ctx, id, c, attachment)
		if fault.KindOf(err) == fault.NotFound {
			return errNoPicture
		}
		return err
	})
	return a, err
}

// Detach removes a picture or paper.
func (d *Desk) Detach(ctx context.Context, id coach.AccountID, by string, c coach.ID, attachment string) error {
	return d.DB.Update(ctx, func(tx *store.Tx) error {
		ok, err := tx.DropAttachment(ctx, id, c, attachment)
		if err == nil && !ok {
			return errNoPicture
		}
		if err != nil {
			return err
		}
		return tx.AddAudit(ctx, id, by, "removed picture", string(c), attachment)
	})
}
