package ports

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

func system() ([]Port, error) { return fromSysfs("/sys") }

// fromSysfs reads class/tty under root: the kernel's device model, described
// in its Documentation/ABI (sysfs-class-tty, sysfs-bus-usb). A terminal with
// a device behind it has a link "device"; consoles and pseudo-terminals have
// none.
func fromSysfs(root string) ([]Port, error) {
	class := filepath.Join(root, "class", "tty")
	entries, err := os.ReadDir(class)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil // no terminals at all, as in some containers
	}
	if err != nil {
		return nil, err
	}
	var list []Port
	for _, e := range entries {
		dir := filepath.Join(class, e.Name())
		device, err := filepath.EvalSymlinks(filepath.Join(dir, "device"))
		if err != nil || attribute(dir, "type") == "0" { // PORT_UNKNOWN: a number without hardware
			continue
		}
		p := Port{Name: e.Name(), Device: "/dev/" + e.Name(), Driver: driver(device, root)}
		p.fromUSB(device, root)
		list = append(list, p)
	}
	return list, nil
}

// driver is that of the nearest device on the way up that has a real one:
// newer kernels put "port" and "ctrl" in between.
func driver(device, root string) string {
	for dir := range upward(device, root) {
		if target, err := os.Readlink(filepath.Join(dir, "driver")); err == nil {
			if name := filepath.Base(target); name != "port" && name != "ctrl" {
				return name
			}
		}
	}
	return ""
}

// fromUSB fills in what the USB interface and the USB device on the way up
// tell. It leaves p alone when there are none.
func (p *Port) fromUSB(device, root string) {
	number := attribute(device, "port_number")
	for dir := range upward(device, root) {
		if n := attribute(dir, "bInterfaceNumber"); n != "" && p.Interface == "" {
			p.Interface = strings.ToLower(n)
		}
		vendor := attribute(dir, "idVendor")
		if vendor == "" {
			continue
		}
		p.Vendor, p.Product = strings.ToLower(vendor), strings.ToLower(attribute(dir, "idProduct"))
		p.Maker, p.Model = attribute(dir, "manufacturer"), attribute(dir, "product")
		p.SerialNumber = attribute(dir, "serial")
		p.USBPath = filepath.Base(dir)
		if number != "" && number != "0" {
			p.Interface += "." + number
		}
		return
	}
	p.Interface = ""
}

// upward goes from dir to its parents, as far as root.
func upward(dir, root string) func(yield func(string) bool) {
	if real, err := filepath.EvalSymlinks(root); err == nil {
		root = real
	}
	return func(yield func(string) bool) {
		for ; strings.HasPrefix(dir, root+string(filepath.Separator)); dir = filepath.Dir(dir) {
			if !yield(dir) {
				return
			}
		}
	}
}

func attribute(dir, name string) string {
	text, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(text))
}
