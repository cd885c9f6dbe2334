package board

import "testing"

func TestPanelNodes(t *testing.T) {
	const kitchen = "kitchen.yaml=rules: { food_code: us-fda-2022 }\nprobes: [ { name: a, file: /sys/class/hwmon/hwmon0, offset: 0C } ]\nstations: [ { name: s, purpose: cold-holding, air: a } ]\n"
	const numbers, name = kitchen + "panel: { buzzer: 17, lamp: { line: 27, chip: gpiochip1 }, button: 22 }\n", kitchen + "panel: { buzzer: GPIO17 }\n"
	for _, c := range []struct {
		name  string
		files []string
		want  []string
	}{
		{"none", []string{kitchen}, nil},
		{"missing", []string{numbers}, []string{"wrong gpiochip0: for buzzer, button; there is no /dev/gpiochip*", "wrong gpiochip1: for lamp"}},
		{"another", []string{numbers, "dev/gpiochip0=", "OWNERS=dev/gpiochip0 0 1000 0660"}, []string{"ok gpiochip0: cook may use it", "wrong gpiochip1: there is /dev/gpiochip0"}},
		{"root's", []string{name, "dev/gpiochip4=", "OWNERS=dev/gpiochip4 0 0 0600"}, []string{"wrong gpiochip4: no group but root's"}},
		{"another group's", []string{name, "dev/gpiochip4=", "OWNERS=dev/gpiochip4 0 5 0660", "etc/group=gpio:x:5:"}, []string{"wrong gpiochip4: cook is not in group gpio"}},
		{"a name, and no chip", []string{name}, []string{"wrong GPIO: there is no /dev/gpiochip*, for buzzer"}},
		{"a display alone", []string{kitchen + "panel: { display: { kind: ssd1306, bus: I2C1 } }\n"}, nil},
	} {
		b := of(t, c.files...)
		b.user = b.self()
		b.panel()
		expect(t, c.name, b.found, c.want...)
	}
	b := of(t, kitchen+"panel: { display: { kind: ssd1306, bus: I2C1 } }\n")
	b.nodes()
	expect(t, "the display's bus", b.found, "wrong I2C1: is missing, for the display; there is no /dev/i2c-*")
}
