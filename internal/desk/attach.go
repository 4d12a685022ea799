package desk

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"image"
	"image/color"
	_ "image/gif" // read, kept as JPEG
	_ "image/png" // read, kept as JPEG
	"net/http"
	"strings"

	"github.com/disintegration/imaging"

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

// shrinking lets one picture be worked on at a time: a large one takes a quarter of a
// gigabyte, and several at once would take more than the program may have.
var shrinking = make(chan struct{}, 1)

// decoded returns how many bytes a picture takes in memory.
func decoded(c image.Config) int64 {
	each := int64(4)
	switch c.ColorModel {
	case color.RGBA64Model, color.NRGBA64Model:
		each = 8
	case color.Gray16Model:
		each = 2
	case color.GrayModel:
		each = 1
	}
	return int64(c.Width) * int64(c.Height) * each
}

// shrink returns a picture and its small version as JPEG. Writing it anew leaves
// behind place, time and camera.
func shrink(ctx context.Context, data []byte) (body, thumb []byte, err error) {
	bad := func(err error) error {
		return &fault.Error{Kind: fault.Invalid, Msg: "the picture cannot be read", Hint: "Send JPEG, PNG or GIF.", Err: err}
	}
	conf, _, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, nil, bad(err)
	}
	if int64(conf.Width)*int64(conf.Height) > mostPixels {
		return nil, nil, fault.New(fault.Invalid, fmt.Sprintf("the picture has %d x %d pixels", conf.Width, conf.Height),
			"Send one of up to 24 million pixels.")
	}
	if decoded(conf) > mostDecoded {
		return nil, nil, fault.New(fault.Invalid, fmt.Sprintf("the picture has %d x %d pixels of 16 bits a color", conf.Width,
			conf.Height),
			"Save it with 8 bits a color, or send a smaller one.")
	}
	select {
	case shrinking <- struct{}{}:
		defer func() { <-shrinking }()
	case <-ctx.Done():
		return nil, nil, &fault.Error{Kind: fault.Unavailable, Msg: "other pictures are being read",
			Hint: "Send it again in a minute.", Err: ctx.Err()}
	}
	img, err := imaging.Decode(bytes.NewReader(data), imaging.AutoOrientation(true))
	if err != nil {
		return nil, nil, bad(err)
	}
	for side, into := range map[int]*[]byte{longSide: &body, thumbSide: &thumb} {
		var b bytes.Buffer
		if err := imaging.Encode(&b, imaging.Fit(img, side, side, imaging.Lanczos), imaging.JPEG,
			imaging.JPEGQuality(82)); err != nil {
			return nil, nil, err
		}
		*into = b.Bytes()
	}
	return body, thumb, nil
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
