package strictyaml_test

import (
	"fmt"

	"plumbsquare/internal/strictyaml"
)

func Example() {
	schema, err := strictyaml.ParseSchema([]byte(`{
		"type": "object", "additionalProperties": false, "required": ["width_mm"],
		"properties": {
			"width_mm": {"type": "number", "unit": "mm", "exclusiveMinimum": 0},
			"label": {"type": "string"}
		}
	}`))
	if err != nil {
		fmt.Println(err)
		return
	}
	var plate struct {
		WidthMm float64 `yaml:"width_mm"`
		Label   string  `yaml:"label"`
	}
	file := "width_mm: 12 um\nlable: top\n"
	fmt.Println(strictyaml.Decode("plate.yaml", []byte(file), schema, &plate).Err())
	// Output:
	// plate.yaml:1:11: width_mm: want a number in mm above 0, got "12 um"; did you mean 0.012?
	// plate.yaml:2:1: lable: unknown key; did you mean label?
}
