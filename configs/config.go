// Package configs turns the bytes of a kitchen's configuration into a validated value. It is strict: an
// unknown key, a missing unit or an impossible limit is an error with file, line, column and the fix, and
// all of them are reported at once. The package also carries the shipped examples.
package configs

import (
	"fmt"
	"log/slog"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/accuracy"
	"holdbell/sensor/condition"
	"holdbell/sensor/its90"
)

// The defaults of what a configuration leaves out.
const (
	DefaultSite   = "kitchen"
	DefaultPeriod = time.Second
	DefaultGap    = 5 * time.Minute
	// DefaultCalibrationEvery is common practice: no code names an interval (FDA Food Code 2022 4-502.11(B) says
	// as necessary).
	DefaultCalibrationEvery = 365 * 24 * time.Hour
	DefaultListen           = "127.0.0.1:9834"
	DefaultPrefix           = "holdbell"
	DefaultMQTTListen       = "127.0.0.1:1883"
	DefaultLedger           = "/var/lib/holdbell/ledger.db"
	DefaultHeartbeat        = time.Minute
	DefaultFull             = 14 * 24 * time.Hour
	DefaultMaxSize          = 2 << 30
)

// Embedded stands in MQTT.Brokers, alone, for the broker inside the daemon.
const Embedded = "embedded"

// Config is a whole configuration with its defaults filled in.
type Config struct {
	Site         string
	Units        rules.Units
	Period       time.Duration // one sweep
	GapAllowance time.Duration
	// CalibrationEvery is after how long a probe's calibration is old; 0 never.
	CalibrationEvery time.Duration
	Code             rules.Code
	GuardBand        bool        // limits move by the accuracy of a lot's worst probe
	HandAccuracy     sensor.Temp // half-width of the hand thermometer; 0 means ±1 °C
	CookingPlan      string      // the variance or plan under which a published lethality table proves a cook; empty without
	GrowthLimit      float64     // the kitchen's own limit of predicted growth, powers of ten; 0 without
	Alarms           map[rules.AlarmName]rules.AlarmSetup
	Shift            *rules.Shift // outside it reminders sleep; nil: they never do
	Probes           []Probe
	Stations         []Station
	HTTP             HTTP
	MQTT             *MQTT // nil: off
	Phones           []Phone
	Heartbeat        *Heartbeat   // nil: off
	RemoteWrite      *RemoteWrite // nil: off
	Panel            *Panel       // nil: none
	Ledger           string       // path of the database
	Keep             Keep
	Mains            string // the kernel's supply by which the mains power is known; empty: whichever there is
	LogLevel         slog.Level

	// Hash names what the configuration says, however it was written and divided over files: see Show.
	Hash string
	// Base is the hash of what its base says, which is that of every board with the same one; empty without a base.
	Base string
	// Warnings are what can run but ought to be looked at, sorted by position.
	Warnings []Problem

	shown string
}

// Keep is how much history the ledger keeps.
type Keep struct {
	Full    time.Duration // every reading for so long, then rows of ten seconds; at least a day
	MaxSize int64         // bytes
	MinFree int64         // bytes of its disk that history leaves free; 0: a twentieth of it, at most 1 GiB
}

// Probe is one probe. A recording needs its Name alone; a live one has either Chip and Bus with what the chip has
// to know, or File.
type Probe struct {
	Name         string
	Chip         string         // such as "max31855"
	Bus          string         // "SPI0.1": bus 0, chip select 1; or "I2C1"
	Type         string         // the thermocouple's letter
	MainsHz      int            // 50 or 60, for a chip with a mains filter, else 0
	Averaging    int            // conversions averaged by the chip: 1, 2, 4, 8 or 16, else 0
	OpenDetect   OpenDetect     // of a MAX31856; empty for the common kind of loop
	RTD          RTD            // the platinum thermometer on a MAX31865
	Wires        int            // of that thermometer: 2, 3 or 4
	Reference    float64        // of the resistor beside a MAX31865, ohms
	IgnoreFaults []sensor.Fault // short_gnd and short_vcc only
	Address      uint16         // on an I2C bus, else 0
	Filter       int            // of an mcp9600: 0 to 7
	Serial       string         // of a DS18B20, "28-0000075b2a3c"
	File         string         // a folder or file of the kernel's, such as /sys/bus/iio/devices/iio:device0
	Driver       string         // what the device of File must call itself, wherever it is now; empty for any

	// Topic is where somebody else publishes the reading, at Pointer (JSON, RFC 6901) within the message, in
	// Unit; after MaxAge without a message it is stale.
	Topic   string
	Pointer string
	Unit    rules.Units
	MaxAge  time.Duration

	// ColdJunctionOffset is what a MAX31856 adds to its own temperature.
	ColdJunctionOffset sensor.Temp

	// What stands before an ads1115: FrontEnd is AD8495 or empty with a Thermistor. Voltages in volts.
	Channel          string // "0" to "3", or a pair such as "0-1"
	Supply           float64
	Rate             int // conversions a second; 0 for the chip's own
	FrontEnd         string
	ReferenceVoltage float64 // at an AD8495's REF pin
	AmplifierSupply  float64
	Thermistor       *Thermistor

	Offset     sensor.Temp    // added to every valid reading
	Check      *Calibration   // the checks behind a calibration; nil without, or with a bare offset
	Calibrated bool           // whether an offset or a calibration stands, if only of 0
	MaxSlew    sensor.Temp    // a second; 0 turns spike rejection off
	Accuracy   sensor.Temp    // half-width as somebody found it; 0 when nobody did
	Class      accuracy.Class // tolerance class of wire or platinum; empty for the usual one

	CalibrationEvery *time.Duration // nil for the kitchen's
}

// Claim is the half-width that the probe's thermometer and chip can claim where food is judged, as their makers
// promise it and without any calibration; 0 when they can claim none.
func (p *Probe) Claim() sensor.Temp {
	c := accuracy.Chain{Chip: p.Chip, Wires: p.Wires, Class: p.Class, Reference: p.ReferenceVoltage}
	if t := p.Thermistor; t != nil {
		// A voltage that was written down once says nothing of what the divider gets today: it makes no claim.
		if t.Beta == 0 || t.ExcitationChannel == "" {
			return 0
		}
		c.Thermistor = &accuracy.Thermistor{Beta: t.Beta, R25Off: t.R25Off, BetaOff: t.BetaOff, Series: t.SeriesOff}
		return c.Food()
	}
	if p.FrontEnd == AD8495 {
		c.Type = its90.K
	}
	if p.Type != "" {
		t, err := its90.ParseType(p.Type)
		if err != nil {
			return 0
		}
		c.Type = t
	}
	return c.Food()
}

// accuracy is the half-width that the rules go by: what somebody found, else the claim. A probe that was
// calibrated is better than its claim, by how much nobody has said.
func (p *Probe) accuracy() sensor.Temp {
	if p.Accuracy != 0 || p.Calibrated {
		return p.Accuracy
	}
	return p.Claim()
}

// Station is one station. Air and Food name probes; Air is empty without one.
type Station struct {
	Name     string
	Purpose  rules.Purpose
	Air      string
	Food     []string
	Setpoint *sensor.Temp
	Band     *rules.Band
	Oven     rules.Oven // of a cooking station; empty when nobody said
	// Reminders want something done at intervals; TooHot is when food held hot dries out, nil for common practice.
	Reminders []rules.Reminder
	TooHot    *rules.TooHot
	// ProbesApart is how far two probes in the food may lie apart beyond both accuracies; nil 3 °C, less than zero off.
	ProbesApart *sensor.Temp
	Alarms      map[rules.AlarmName]rules.AlarmSetup
}

// HTTP is the page, the metrics and the health check.
type HTTP struct {
	Listen    string
	WebConfig string // a file with TLS and login; empty for neither
	Address   string // at which phones reach the page, without a path; empty: messages carry no link
	// MarksTokenFile holds what a browser or program has to know to make marks; empty for none.
	MarksTokenFile string
}

// MQTT is the way to a broker, or the broker inside the daemon.
type MQTT struct {
	Brokers      []string // URLs, of one broker or of a cluster's; or Embedded alone
	Listen       string   // of the embedded broker
	Prefix       string
	Username     string
	PasswordFile string
	CAFile       string
	CertFile     string
	KeyFile      string
	ClientID     string
	Commands     bool   // whether marks are taken from the command topic
	Discovery    string // prefix of a home dashboard's discovery topics; empty: nothing is sent there
	Users        []User // of the embedded broker; without any, reading needs no login
}

// Inside reports whether the broker is the one inside the daemon.
func (m *MQTT) Inside() bool { return len(m.Brokers) == 1 && m.Brokers[0] == Embedded }

// User is one login of the embedded broker.
type User struct {
	Name         string
	PasswordFile string
}

// Phone is one target that rings. URLFile holds its address, which is a secret.
type Phone struct {
	URLFile string
	From    rules.Priority // alarms of at least this priority
	After   time.Duration  // rings once nobody has acknowledged for so long; 0: at once
	Quiet   *rules.Shift   // when advice does not ring; nil: it always does
}

// Heartbeat tells an outside monitor that the watch goes on. URLFile holds its address, which is a secret.
type Heartbeat struct {
	URLFile string
	Every   time.Duration
	Fail    string // joined to the address while the watch does not go on; empty: nothing is sent then
}

// Setup gives what the rules have to know. The error names a reference that leads nowhere; a Config from
// Parse has none.
func (c *Config) Setup() (rules.Setup, error) {
	s := rules.Setup{Site: c.Site, Units: c.Units, GapAllowance: c.GapAllowance, Code: c.Code, GuardBand: c.GuardBand, Alarms: c.Alarms,
		HandAccuracy: c.HandAccuracy, Shift: c.Shift, CookingPlan: c.CookingPlan, GrowthLimit: c.GrowthLimit}
	index := make(map[string]int, len(c.Probes))
	for i, p := range c.Probes {
		index[p.Name] = i
		every := c.CalibrationEvery
		if p.CalibrationEvery != nil {
			every = *p.CalibrationEvery
		}
		var day time.Time
		if p.Check != nil {
			day = p.Check.Date
		}
		s.Probes = append(s.Probes, rules.ProbeSetup{Name: p.Name, Accuracy: p.accuracy(), CalibrateEvery: every, Calibrated: day,
			Condition: condition.Settings{Calibration: p.calibration(), MaxSlew: p.MaxSlew, Bridge: condition.Default().Bridge}})
	}
	for _, st := range c.Stations {
		out := rules.StationSetup{Name: st.Name, Purpose: st.Purpose, Air: -1, Setpoint: st.Setpoint, Band: st.Band, Oven: st.Oven, Alarms: st.Alarms,
			Reminders: st.Reminders, TooHot: st.TooHot, ProbesApart: st.ProbesApart}
		for i, name := range append([]string{st.Air}, st.Food...) {
			at, ok := index[name]
			switch {
			case i == 0 && name == "":
			case !ok:
				return rules.Setup{}, fmt.Errorf("configs: station %s names probe %q, which is not configured", st.Name, name)
			case i == 0:
				out.Air = at
			default:
				out.Food = append(out.Food, at)
			}
		}
		s.Stations = append(s.Stations, out)
	}
	return s, nil
}
