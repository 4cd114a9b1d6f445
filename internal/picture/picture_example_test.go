package picture_test

import (
	"bytes"
	"fmt"
	"image"
	"image/png"

	"plumbsquare/internal/picture"
)

func Example() {
	var file bytes.Buffer
	if err := png.Encode(&file, image.NewGray(image.Rect(0, 0, 640, 480))); err != nil {
		fmt.Println(err)
		return
	}
	g, err := picture.Decode(file.Bytes(), picture.Limits{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%d × %d of %d\n", g.W, g.H, g.FullScale)
	if _, refusal := picture.Check(g, picture.EstimateNoise(g)); refusal != nil {
		fmt.Println(refusal)
	}
	// Output:
	// 640 × 480 of 255
	// nearly-black: the picture is black: switch the light on and open the shutter
}

func ExampleDecode() {
	_, err := picture.Decode([]byte("not really a png"), picture.Limits{})
	fmt.Println(err)
	// Output:
	// not a picture, it begins with "not really a png": save the picture as PNG, TIFF, JPEG or BMP with 8 or 16 bits a pixel
}
