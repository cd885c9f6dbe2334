package daemon

import (
	"fmt"

	"holdbell/configs"
)

// Missing lists what a configuration asks for and this version does not do, a sentence each. Who relies
// on a phone that never rings has to be told before the night.
func Missing(cfg *configs.Config) []string {
	var all []string
	if n := len(cfg.Phones); n > 0 {
		all = append(all, fmt.Sprintf("publish.phone: this version rings no phone by itself, so the %d configured will stay silent; let what listens to MQTT or to the Prometheus alert rules ring it", n))
	}
	return all
}
