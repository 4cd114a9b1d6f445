package report

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"html/template"
	"image"
	"image/jpeg"
	_ "image/png" // overlays are PNG
	"io/fs"
	"path/filepath"
	"strings"

	"golang.org/x/image/draw"
)

// overlays finds the overlays of pictures and makes them small enough for a page.
type overlays struct {
	files fs.FS
	shown int
}

const (
	overlayWidth   = 720       // px
	overlayQuality = 82        // of the JPEG
	overlayMost    = 120 << 20 // px that an overlay may have
)

// find returns the overlay of a picture as a JPEG with its size, or why there is none.
func (o *overlays) find(picture string) (data []byte, w, h int, missing string) {
	if o.files == nil {
		return nil, 0, 0, ""
	}
	if o.shown == mostOverlays {
		return nil, 0, 0, ""
	}
	data, w, h, err := o.small(picture)
	if err != nil {
		return nil, 0, 0, err.Error()
	}
	o.shown++
	return data, w, h, ""
}

// jpegURI returns a JPEG as a data URI, "" when there is none.
func jpegURI(data []byte) template.URL {
	if data == nil {
		return ""
	}
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(data))
}

// names returns what the overlay of a picture may be called in its folder, the surest first: as
// inspect measure calls it, after its path or after its name alone, and as inspect watch does, at the
// picture's place below the inbox.
func names(picture string) []string {
	const ending = ".overlay.png"
	path := strings.NewReplacer("/", "_", `\`, "_", ":", "_").Replace(strings.TrimLeft(picture, "./"))
	list := []string{path + ending}
	below := strings.Split(strings.ReplaceAll(picture, `\`, "/"), "/")
	for i := range below {
		if name := strings.Join(below[i:], "/") + ending; fs.ValidPath(name) {
			list = append(list, name)
		}
	}
	return append(list, stem(picture)+ending)
}

func stem(picture string) string {
	return strings.TrimSuffix(filepath.Base(picture), filepath.Ext(picture))
}

// small reads the overlay of a picture and scales it down.
func (o *overlays) small(picture string) (data []byte, w, h int, err error) {
	err = fs.ErrNotExist
	for _, name := range names(picture) {
		if data, err = fs.ReadFile(o.files, name); err == nil {
			break
		}
	}
	stem := stem(picture)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, 0, 0, fmt.Errorf("no overlay %s.overlay.png", stem)
	}
	if err != nil {
		return nil, 0, 0, err
	}
	head, _, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil || head.Width < 1 || head.Height < 1 || head.Width*head.Height > overlayMost {
		return nil, 0, 0, fmt.Errorf("the overlay of %s can't be read", stem)
	}
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, 0, 0, fmt.Errorf("the overlay of %s can't be read", stem)
	}
	b := img.Bounds()
	w, h = b.Dx(), b.Dy()
	if w > overlayWidth {
		w, h = overlayWidth, max(h*overlayWidth/w, 1)
	}
	small := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.CatmullRom.Scale(small, small.Bounds(), img, b, draw.Src, nil)
	var out bytes.Buffer
	if err := jpeg.Encode(&out, small, &jpeg.Options{Quality: overlayQuality}); err != nil {
		return nil, 0, 0, err
	}
	return out.Bytes(), w, h, nil
}
