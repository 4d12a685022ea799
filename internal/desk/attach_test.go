package desk

import (
	"bytes"
	"context"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"slices"
	"strings"
	"testing"

	"sealmanac/internal/fault"
	"sealmanac/internal/testkit"
)

// head is the beginning of a PNG that says how large the picture is.
func head(width, height uint32, depth, kind byte) []byte {
	b := []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x0dIHDR")
	b = binary.BigEndian.AppendUint32(b, width)
	b = binary.BigEndian.AppendUint32(b, height)
	b = append(b, depth, kind, 0, 0, 0)
	b = binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[12:]))
	return append(b, "\x00\x00\x00\x00IDAT\x35\xaf\x06\x1e"...)
}

// A picture is refused by what it takes in memory, before it is read: a small file can
// hold a large one.
func TestPicturesAreBounded(t *testing.T) {
	const gray, rgb, rgba = 0, 2, 6
	for _, c := range []struct {
		name          string
		width, height uint32
		depth, kind   byte
		want          string // a piece of the refusal
	}{
		{"one pixel too many", 6001, 4000, 8, rgb, "6001 x 4000 pixels"},
		{"large as they come", 6000, 4000, 8, rgb, "cannot be read"}, // it has no pixels
		{"16 bits", 4097, 4096, 16, rgba, "16 bits"},
		{"16 bits, small enough", 4096, 4096, 16, rgba, "cannot be read"},
		{"16 bits of gray", 6000, 4000, 16, gray, "cannot be read"},
		{"wide", 1<<31 - 1, 1, 1, gray, "pixels"},
	} {
		t.Run(c.name, func(t *testing.T) {
			most := uint64(1 << 20)
			if strings.Contains(c.want, "read") {
				most = 200 << 20
			}
			testkit.Bound(t, most, func() {
				_, _, err := shrink(t.Context(), head(c.width, c.height, c.depth, c.kind))
				if fault.KindOf(err) != fault.Invalid || !strings.Contains(err.Error(), c.want) {
					t.Errorf("%v", err)
				}
			})
		})
	}
}

// One picture is worked on at a time, and who hangs up no longer waits.
func TestPicturesWaitTheirTurn(t *testing.T) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 20, 10)), nil); err != nil {
		t.Fatal(err)
	}
	shrinking <- struct{}{}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() {
		_, _, err := shrink(ctx, b.Bytes())
		done <- err
	}()
	select {
	case err := <-done:
		t.Fatalf("it did not wait: %v", err)
	default:
	}
	cancel()
	if err := <-done; fault.KindOf(err) != fault.Unavailable {
		t.Errorf("who hung up: %v", err)
	}
	<-shrinking
	if body, thumb, err := shrink(t.Context(), b.Bytes()); err != nil || len(body) == 0 || len(thumb) == 0 {
		t.Errorf("alone: %v", err)
	}
}

// exif is a JPEG's segment that says how the picture has to be turned, and where it was
// taken.
func exif(order binary.AppendByteOrder, orientation uint16) []byte {
	tiff := []byte("MM\x00*")
	if order == binary.AppendByteOrder(binary.LittleEndian) {
		tiff = []byte("II*\x00")
	}
	tiff = order.AppendUint32(tiff, 8)
	tiff = order.AppendUint16(tiff, 2)
	for _, e := range [][2]uint16{{0x0100, 640}, {0x0112, orientation}} { // width, orientation; both short
		tiff = order.AppendUint16(tiff, e[0])
		tiff = order.AppendUint16(tiff, 3)
		tiff = order.AppendUint32(tiff, 1)
		tiff = order.AppendUint16(tiff, e[1])
		tiff = order.AppendUint16(tiff, 0)
	}
	tiff = append(tiff, "GPS 39.7392 N"...)
	seg := binary.BigEndian.AppendUint16([]byte{0xff, 0xe1}, uint16(2+6+len(tiff)))
	return append(append(seg, "Exif\x00\x00"...), tiff...)
}

// Pictures come upright whichever way the camera was held, and without what it noted. The
// table says where the first row and the first column of what is stored belong: EXIF 2.32
// (CIPA DC-008), 4.6.4, tag 0x0112.
func TestPicturesStandUpright(t *testing.T) {
	red, blue, gray := color.RGBA{220, 20, 20, 255}, color.RGBA{20, 20, 220, 255}, color.RGBA{128, 128, 128, 255}
	const w, h, corner = 64, 32, 12
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := gray
			if y < corner && x < corner {
				c = red // where the first row begins
			} else if y < corner && x >= w-corner {
				c = blue // where it ends
			}
			img.SetRGBA(x, y, c)
		}
	}
	var plain bytes.Buffer
	if err := jpeg.Encode(&plain, img, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		orientation uint16
		row, column string
	}{
		{1, "top", "left"}, {2, "top", "right"}, {3, "bottom", "right"}, {4, "bottom", "left"},
		{5, "left", "top"}, {6, "right", "top"}, {7, "right", "bottom"}, {8, "left", "bottom"},
		{0, "top", "left"}, {9, "top", "left"}, // neither is an orientation
	} {
		for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
			data := slices.Concat(plain.Bytes()[:2], exif(order, c.orientation), plain.Bytes()[2:])
			body, thumb, err := shrink(t.Context(), data)
			if err != nil {
				t.Fatal(err)
			}
			for _, b := range [][]byte{body, thumb} {
				if bytes.Contains(b, []byte("Exif")) || bytes.Contains(b, []byte("GPS")) {
					t.Errorf("%d: what the camera noted is still there", c.orientation)
				}
				got, err := jpeg.Decode(bytes.NewReader(b))
				if err != nil {
					t.Fatal(err)
				}
				other := map[string]string{"left": "right", "right": "left", "top": "bottom", "bottom": "top"}
				if !like(got, red, c.row, c.column) || !like(got, blue, c.row, other[c.column]) {
					t.Errorf("orientation %d: the first row is not at the %s from %s on", c.orientation, c.row, c.column)
				}
			}
		}
	}
}

// like reports whether the corner between two sides has about a color.
func like(img image.Image, want color.RGBA, sides ...string) bool {
	x, y := 4, 4
	if slices.Contains(sides, "right") {
		x = img.Bounds().Dx() - 5
	}
	if slices.Contains(sides, "bottom") {
		y = img.Bounds().Dy() - 5
	}
	r, _, b, _ := img.At(x, y).RGBA()
	return max(int(r>>8), int(want.R))-min(int(r>>8), int(want.R)) < 40 &&
		max(int(b>>8), int(want.B))-min(int(b>>8), int(want.B)) < 40
}

// A large picture is made smaller and keeps its proportions; a small one is left alone.
func TestPicturesFit(t *testing.T) {
	for _, c := range []struct{ w, h, side, wantW, wantH int }{
		{3200, 1600, 1600, 1600, 800}, {1600, 3, 240, 240, 1}, {1600, 1600, 1600, 1600, 1600},
		{1601, 1600, 1600, 1600, 1599}, {10, 20, 240, 10, 20}, {1, 5000, 1600, 1, 1600},
	} {
		got := fit(image.NewGray(image.Rect(0, 0, c.w, c.h)), c.side).Bounds()
		if got.Dx() != c.wantW || got.Dy() != c.wantH {
			t.Errorf("%d x %d within %d is %d x %d, want %d x %d", c.w, c.h, c.side, got.Dx(), got.Dy(), c.wantW, c.wantH)
		}
	}
}

func FuzzOrientation(f *testing.F) {
	head := []byte{0xff, 0xd8}
	f.Add(append(head, exif(binary.LittleEndian, 6)...))
	f.Add(append(head, exif(binary.BigEndian, 8)...))
	f.Add([]byte{0xff, 0xd8, 0xff, 0xe1, 0, 2, 0xff, 0xe1, 0, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		testkit.Bound(t, 64<<10, func() {
			if o := orientation(data); o < 1 || o > 8 {
				t.Errorf("orientation %d", o)
			}
		})
	})
}
