// Package settings gathers what a person has set, in this order: a flag, the
// environment (LINEHAND_…), the settings file, the default. Only settings go
// this way; site profiles, serial numbers and secrets never do.
package settings

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"
	"github.com/spf13/viper"
)

// File is the settings file that is read when it stands in the working
// folder and no other is named.
const File = "linehand.yaml"

// Settings are all of them.
type Settings struct {
	Profile  string        // site profile
	Records  string        // folder for session records
	Person   string        // who works at the bench, for the record
	Speed    int           // of the line, bits a second; 0: as the dialogue says
	Framing  string        // such as 8N1; "": as the dialogue says
	Flow     string        // none, hardware or software; "": as the dialogue says
	OnHold   string        // ask, end or auto
	Away     time.Duration // how long a lost line may stay away
	LogLevel string        // trace to error, or off

	Bench Bench // of linehand bench

	// Paths of what opens the profile's vault, never the key or the
	// passphrase itself.
	KeyFile, PassphraseFile string
}

// Bench are the settings of a bench that runs.
type Bench struct {
	Name    string        // of the bench; "": as the machine is called
	Data    string        // folder for what must last
	Listen  string        // HOST:PORT of the pages and the API
	Cert    string        // file of a certificate chain, for TLS; "": none
	TLSKey  string        // file of its key
	Hosts   []string      // names that the bench is asked by, besides those of the certificate
	Lines   []string      // addresses of lines that are always there
	Allow   string        // unit, batch or always
	Play    string        // visit or first boot
	HotPlug bool          // take USB adapters as they are plugged in
	Knock   time.Duration // how often a quiet line is asked who is there; 0: only when text has come or a person asks

	OrdersURL         string   // of the firm's NATS servers; "": the bench keeps its orders itself
	OrdersLeaf        []string // of the firm's NATS servers, which the bench joins as a leaf
	OrdersListen      string   // HOST:PORT where other programs of this machine reach the bench's orders
	OrdersCredentials string   // file with NATS credentials
}

// setting is one of them, with its default.
type setting struct {
	name  string
	value any
}

var known = []setting{
	{"profile", ""}, {"records", "records"}, {"person", ""}, {"speed", 0}, {"framing", ""}, {"flow", ""},
	{"on-hold", "auto"}, {"away", 5 * time.Minute}, {"log-level", "warn"},
	{"key-file", ""}, {"passphrase-file", ""},
	{"bench", ""}, {"data", "bench-data"}, {"listen", "127.0.0.1:8470"}, {"tls-cert", ""}, {"tls-key", ""}, {"host", []string{}}, {"line", []string{}}, {"allow", "unit"}, {"play", "visit"},
	{"hot-plug", true}, {"knock", time.Duration(0)},
	{"orders-url", ""}, {"orders-leaf", []string{}}, {"orders-listen", ""}, {"orders-credentials", ""},
}

// Names lists the settings.
func Names() []string {
	names := make([]string, len(known))
	for i, s := range known {
		names[i] = s.name
	}
	return names
}

// Load gathers the settings. The file is the one that was named; "" takes
// File if it is there. Flags that were not given do not count.
func Load(flags *pflag.FlagSet, file string) (Settings, error) {
	v := viper.New()
	v.SetEnvPrefix("LINEHAND")
	v.SetEnvKeyReplacer(strings.NewReplacer("-", "_"))
	for _, s := range known {
		v.SetDefault(s.name, s.value)
		if err := v.BindEnv(s.name); err != nil {
			return Settings{}, fmt.Errorf("setting %s: %w", s.name, err)
		}
		if f := flags.Lookup(s.name); f != nil {
			if err := v.BindPFlag(s.name, f); err != nil {
				return Settings{}, fmt.Errorf("setting %s: %w", s.name, err)
			}
		}
	}
	if err := readFile(v, file); err != nil {
		return Settings{}, err
	}
	return gather(v)
}

func readFile(v *viper.Viper, file string) error {
	named := file != ""
	if !named {
		file = File
	}
	if _, err := os.Stat(file); err != nil {
		if !named && errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return fmt.Errorf("read the settings file: %w", err)
	}
	v.SetConfigFile(file)
	v.SetConfigType("yaml")
	if err := v.ReadInConfig(); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	for _, key := range v.AllKeys() {
		if !isKnown(key) {
			return fmt.Errorf("%s: there is no setting %q; the settings are %s", file, key, strings.Join(Names(), ", "))
		}
	}
	return nil
}

func isKnown(key string) bool {
	for _, s := range known {
		if s.name == key {
			return true
		}
	}
	return false
}

func gather(v *viper.Viper) (Settings, error) {
	s := Settings{
		Profile: v.GetString("profile"), Records: v.GetString("records"), Person: v.GetString("person"),
		Framing: v.GetString("framing"), Flow: v.GetString("flow"), OnHold: v.GetString("on-hold"), LogLevel: v.GetString("log-level"),
		KeyFile: v.GetString("key-file"), PassphraseFile: v.GetString("passphrase-file"),
	}
	// viper reads what it cannot make out as 0, which means something else here.
	if _, err := fmt.Sscanf(v.GetString("speed")+" ", "%d ", &s.Speed); err != nil || s.Speed < 0 {
		return s, fmt.Errorf("setting speed: %q is not a number of bits a second", v.GetString("speed"))
	}
	away, err := time.ParseDuration(v.GetString("away"))
	if err != nil || away < 0 {
		return s, fmt.Errorf("setting away: %q is not a duration such as 90s or 5m", v.GetString("away"))
	}
	s.Away = away
	if err := gatherBench(v, &s.Bench); err != nil {
		return s, err
	}
	switch s.OnHold {
	case "ask", "end", "auto":
	default:
		return s, fmt.Errorf("setting on-hold: %q is none of ask, end and auto", s.OnHold)
	}
	return s, nil
}

func gatherBench(v *viper.Viper, b *Bench) error {
	*b = Bench{Name: v.GetString("bench"), Data: v.GetString("data"), Listen: v.GetString("listen"), Cert: v.GetString("tls-cert"), TLSKey: v.GetString("tls-key"), Hosts: v.GetStringSlice("host"), Lines: v.GetStringSlice("line"), Allow: v.GetString("allow"), Play: v.GetString("play"),
		OrdersURL: v.GetString("orders-url"), OrdersLeaf: v.GetStringSlice("orders-leaf"), OrdersListen: v.GetString("orders-listen"), OrdersCredentials: v.GetString("orders-credentials")}
	var err error
	if b.Knock, err = time.ParseDuration(v.GetString("knock")); err != nil || b.Knock < 0 {
		return fmt.Errorf("setting knock: %q is not a duration such as 30s", v.GetString("knock"))
	}
	if b.HotPlug, err = strconv.ParseBool(v.GetString("hot-plug")); err != nil {
		return fmt.Errorf("setting hot-plug: %q is neither true nor false", v.GetString("hot-plug"))
	}
	switch b.Play {
	case "visit", "first boot":
	default:
		return fmt.Errorf("setting play: %q is neither visit nor first boot", b.Play)
	}
	switch b.Allow {
	case "unit", "batch", "always":
	default:
		return fmt.Errorf("setting allow: %q is none of unit, batch and always", b.Allow)
	}
	if b.OrdersURL != "" && len(b.OrdersLeaf) > 0 {
		return errors.New("settings orders-url and orders-leaf: a bench uses the firm's servers, or is a leaf of them")
	}
	return nil
}
