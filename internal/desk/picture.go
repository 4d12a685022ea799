package desk

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	_ "image/gif" // read, kept as JPEG
	"image/jpeg"
	_ "image/png" // read, kept as JPEG

	"golang.org/x/image/draw"

	"sealmanac/internal/fault"
)

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
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, nil, bad(err)
	}
	turn := orientation(data)
	for side, into := range map[int]*[]byte{longSide: &body, thumbSide: &thumb} {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, upright(fit(img, side), turn), &jpeg.Options{Quality: 82}); err != nil {
			return nil, nil, err
		}
		*into = b.Bytes()
	}
	return body, thumb, nil
}

// fit returns a picture of at most side pixels on its longer side, on white where it is
// transparent. One that fits keeps its size.
func fit(img image.Image, side int) *image.RGBA {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	if longer := max(w, h); longer > side {
		w, h = max(1, (w*side+longer/2)/longer), max(1, (h*side+longer/2)/longer)
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(out, out.Bounds(), image.White, image.Point{}, draw.Src)
	draw.CatmullRom.Scale(out, out.Bounds(), img, b, draw.Over, nil)
	return out
}

// upright turns a picture as its orientation says: EXIF 2.32 (CIPA DC-008), tag 0x0112.
// 2, 4, 5 and 7 are mirrored; 5 to 8 lie on their side.
func upright(in *image.RGBA, orientation int) *image.RGBA {
	if orientation < 2 || orientation > 8 {
		return in
	}
	w, h := in.Bounds().Dx(), in.Bounds().Dy()
	size := image.Rect(0, 0, w, h)
	if orientation > 4 {
		size = image.Rect(0, 0, h, w)
	}
	out := image.NewRGBA(size)
	for y := range size.Dy() {
		for x := range size.Dx() {
			fromX, fromY := x, y
			switch orientation {
			case 2:
				fromX = w - 1 - x
			case 3:
				fromX, fromY = w-1-x, h-1-y
			case 4:
				fromY = h - 1 - y
			case 5:
				fromX, fromY = y, x
			case 6:
				fromX, fromY = y, h-1-x
			case 7:
				fromX, fromY = w-1-y, h-1-x
			case 8:
				fromX, fromY = w-1-y, x
			}
			out.SetRGBA(x, y, in.RGBAAt(fromX, fromY))
		}
	}
	return out
}

// orientation returns how a JPEG says it has to be turned, 1 to 8; 1 when it says nothing
// that can be read. It looks at the segments before the picture only: the first APP1
// segment with "Exif" holds a TIFF header and a directory of 12-byte entries (EXIF 2.32,
// 4.5 and 4.6).
func orientation(data []byte) int {
	const upright = 1
	if len(data) < 4 || data[0] != 0xff || data[1] != 0xd8 {
		return upright
	}
	for at := 2; at+4 <= len(data) && data[at] == 0xff && data[at+1] != 0xda; {
		size := int(binary.BigEndian.Uint16(data[at+2:]))
		if size < 2 || at+2+size > len(data) {
			return upright
		}
		tiff, isExif := bytes.CutPrefix(data[at+4:at+2+size], []byte("Exif\x00\x00"))
		if data[at+1] == 0xe1 && isExif {
			return orientationOf(tiff)
		}
		at += 2 + size
	}
	return upright
}

// orientationOf reads the orientation from the first directory of a TIFF.
func orientationOf(tiff []byte) int {
	const upright = 1
	var order binary.ByteOrder = binary.BigEndian
	if bytes.HasPrefix(tiff, []byte("II*\x00")) {
		order = binary.LittleEndian
	} else if !bytes.HasPrefix(tiff, []byte("MM\x00*")) {
		return upright
	}
	if len(tiff) < 8 {
		return upright
	}
	first := int64(order.Uint32(tiff[4:]))
	if first+2 > int64(len(tiff)) {
		return upright
	}
	entries := tiff[first+2:]
	for n := int(order.Uint16(tiff[first:])); n > 0 && len(entries) >= 12; n-- {
		const tag, short = 0x0112, 3
		if order.Uint16(entries) == tag && order.Uint16(entries[2:]) == short {
			if v := int(order.Uint16(entries[8:])); v >= 1 && v <= 8 {
				return v
			}
			return upright
		}
		entries = entries[12:]
	}
	return upright
}
