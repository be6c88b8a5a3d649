package dial

import (
	"strings"
	"testing"
)

func TestParse(t *testing.T) {
	tests := []struct {
		text   string
		kind   kind
		target string
	}{
		{"/dev/ttyUSB0", byPath, "/dev/ttyUSB0"},
		{"/dev/serial/by-path/pci-0000:00:14.0-usb-0:1:1.0-port0", byPath, "/dev/serial/by-path/pci-0000:00:14.0-usb-0:1:1.0-port0"},
		{"./line", byPath, "./line"},
		{"run/line", byPath, "run/line"},
		{"COM3", bySerialPath, "COM3"},
		{"com12", bySerialPath, "COM12"},
		{"serial:/dev/pts/4", bySerialPath, "/dev/pts/4"},
		{"serial:COM3", bySerialPath, "COM3"},
		{"usb:1209:00f1:LC17:00", byIdentity, "usb:1209:00f1:LC17:00"},
		{"usbpath:1-2.3:00", byIdentity, "usbpath:1-2.3:00"},
		{"platform:ttyS0", byIdentity, "platform:ttyS0"},
		{"unix:/run/vm/console", byUnix, "/run/vm/console"},
		{"unix:line", byUnix, "line"},
		{"tcp:192.0.2.10:7001", byTCP, "192.0.2.10:7001"},
		{"tcp:[2001:db8::1]:7001", byTCP, "[2001:db8::1]:7001"},
		{"ssh:admin@192.0.2.21", bySSH, "192.0.2.21:22"},
		{"ssh:admin@192.0.2.21:2222", bySSH, "192.0.2.21:2222"},
		{"ssh:admin@[2001:db8::21]", bySSH, "[2001:db8::21]:22"},
		{"ssh:admin@[2001:db8::21]:2222", bySSH, "[2001:db8::21]:2222"},
		{"ssh:admin@corp@deep-1.example.net", bySSH, "deep-1.example.net:22"},
		{"tcp:rack1.example.net:7001", byTCP, "rack1.example.net:7001"},
	}
	for _, tt := range tests {
		a, err := Parse(tt.text)
		if err != nil || a.kind != tt.kind || a.target != tt.target || a.String() != tt.text {
			t.Errorf("%q: kind %d target %q, text %q, %v; want kind %d target %q", tt.text, a.kind, a.target, a, err, tt.kind, tt.target)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for text, says := range map[string]string{
		"":                         "empty",
		"ttyUSB0":                  "/dev/ttyUSB0",
		"COM0":                     "COM0",
		"telnet:192.0.2.1:23":      "unknown kind",
		"serial:":                  "nothing follows",
		"unix:":                    "nothing follows",
		"usb:":                     "nothing follows",
		"tcp:":                     "HOST:PORT",
		"tcp:192.0.2.1":            "HOST:PORT",
		"tcp:192.0.2.1:0":          "1 to 65535",
		"tcp:192.0.2.1:65536":      "1 to 65535",
		"tcp::7001":                "a host",
		"tcp:2001:db8::1:7001":     "brackets",
		"ssh:":                     "USER@HOST",
		"ssh:192.0.2.21":           "USER@HOST",
		"ssh:@192.0.2.21":          "USER@HOST",
		"ssh:admin@":               "USER@HOST",
		"ssh:admin:pw@192.0.2.21":  "secret",
		"ssh:a@2001:db8::1":        "brackets",
		"ssh:a@192.0.2.21:0":       "1 to 65535",
		"/dev/tty\x1b[2J":          "control character",
		"tcp:192.0.2.1:seventeen1": "1 to 65535",
	} {
		if _, err := Parse(text); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: error %v, want one that says %q", text, err, says)
		}
	}
}
