package configs

import (
	"fmt"
	"strings"
	"time"

	"holdbell/sensor/topic"
)

// DefaultMaxAge is how old the reading of a topic may be when nobody says: wireless thermometers mostly send
// every few seconds to half a minute (common practice).
const DefaultMaxAge = time.Minute

// topicKeys are the keys of a probe that others publish.
var topicKeys = [...]string{"pointer", "unit", "max_age"}

// checkTopic looks at a probe that others publish, and at the keys that only such a one has.
func (k *kitchen) checkTopic(p *entry[Probe]) {
	r := &k.reader
	has := func(key string) bool { _, ok := p.of[key]; return ok }
	if !has("topic") {
		for _, key := range topicKeys {
			if has(key) {
				r.fail(p.key(key), "add topic: with where the reading is published, or remove "+key, "probe %s has %s without a topic", p.T.Name, key)
			}
		}
		return
	}
	for _, other := range []string{"chip", "file", "driver"} {
		if has(other) {
			r.fail(p.key("topic"), "keep one of the two", "probe %s has both a %s and a topic", p.T.Name, other)
		}
	}
	if !has("unit") {
		r.fail(p.key("topic"), "add unit: celsius or unit: fahrenheit", "probe %s has a topic and no unit: 40 is a cold room or a hot plate", p.T.Name)
	}
}

// crossTopic looks at what a topic needs elsewhere in the configuration.
func (k *kitchen) crossTopic(p *entry[Probe]) {
	r := &k.reader
	switch {
	case p.T.Topic == "":
		return
	case k.c.MQTT == nil:
		r.fail(p.key("topic"), "add mqtt: under publish, with the broker that has the topic", "probe %s is published by others, and there is no broker", p.T.Name)
	case strings.HasPrefix(p.T.Topic, k.c.MQTT.Prefix+"/"+k.c.Site+"/"):
		r.fail(p.key("topic"), "name another's topic", "topic %s is one of ours: a probe would read what it said itself", p.T.Topic)
	}
	if p.T.MaxAge > k.c.GapAllowance && k.c.GapAllowance > 0 {
		r.fail(p.key("max_age"), fmt.Sprintf("write at most %v, or lengthen gap_allowance", k.c.GapAllowance),
			"a reading of %v ago would hide a gap longer than gap_allowance", p.T.MaxAge)
	}
}

func parseTopic(s string) (string, string, string) {
	if s == "" || len(s) > 256 || strings.ContainsAny(s, "+#\x00") || strings.HasPrefix(s, "$") || strings.HasPrefix(s, "/") || strings.HasSuffix(s, "/") {
		return "", fmt.Sprintf("%q is no topic of one probe", shorten(s)), "write it in full, without + and #, such as kitchen/walk-in"
	}
	return s, "", ""
}

func parsePointer(s string) (string, string, string) {
	if _, err := topic.ParsePointer(s); err != nil || len(s) > 256 {
		return "", fmt.Sprintf("%q is no JSON pointer", shorten(s)), "write the names that lead to the number, each after a /, such as /temperature"
	}
	return s, "", ""
}

func parseMaxAge(s string) (time.Duration, string, string) { return within(s, time.Second, longestGap) }
