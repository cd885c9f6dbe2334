package configs

import (
	"reflect"
	"testing"
)

// TestPanel holds what is filled in.
func TestPanel(t *testing.T) {
	const kitchen = "rules: { food_code: us-fda-2022 }\nprobes: [ { name: air }, { name: core } ]\nstations: [ { name: warmer, purpose: hot-holding, air: air, food: [core] } ]\n"
	for _, c := range []struct {
		text string
		want *Panel
	}{
		{"", nil},
		{"panel: { buzzer: 17, lamp: { line: GPIO27, active_low: true }, button: 22 }", &Panel{
			Buzzer: &GPIO{Chip: "gpiochip0", Offset: 17}, Lamp: &GPIO{Name: "GPIO27", ActiveLow: true}, Button: &GPIO{Chip: "gpiochip0", Offset: 22, ActiveLow: true}}},
		{"panel: { button: { active_low: false, line: 22, chip: gpiochip1 }, lamp: GPIO27, chip: gpiochip4 }", &Panel{
			Lamp: &GPIO{Chip: "gpiochip4", Name: "GPIO27"}, Button: &GPIO{Chip: "gpiochip1", Offset: 22}}},
		{"panel: { display: { kind: ssd1306, bus: I2C1 } }", &Panel{Display: &Display{Kind: SSD1306, Width: 128, Height: 64, Bus: "I2C1", Address: 0x3c}}},
		{"panel: { display: { kind: ssd1306, bus: I2C3, address: 0x3d, size: 128x32 } }", &Panel{Display: &Display{Kind: SSD1306, Width: 128, Height: 32, Bus: "I2C3", Address: 0x3d}}},
		{"panel: { display: { kind: hd44780, bus: I2C1, size: 20x4 } }", &Panel{Display: &Display{Kind: HD44780, Width: 20, Height: 4, Bus: "I2C1", Address: 0x27}}},
		{"panel: { display: { kind: hd44780, rs: 7, e: 8, data: [25, 24, GPIO23, 18] } }", &Panel{Display: &Display{Kind: HD44780, Width: 16, Height: 2,
			RS: GPIO{Chip: "gpiochip0", Offset: 7}, E: GPIO{Chip: "gpiochip0", Offset: 8},
			Data: [4]GPIO{{Chip: "gpiochip0", Offset: 25}, {Chip: "gpiochip0", Offset: 24}, {Name: "GPIO23"}, {Chip: "gpiochip0", Offset: 18}}}}},
	} {
		got, err := Parse("kitchen.yaml", []byte(kitchen+c.text))
		if err != nil {
			t.Errorf("%s: %v", c.text, err)
			continue
		}
		if !reflect.DeepEqual(got.Panel, c.want) {
			t.Errorf("%s: %+v, want %+v", c.text, got.Panel, c.want)
		}
	}
}
