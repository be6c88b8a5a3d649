package ports

import (
	"errors"

	"golang.org/x/sys/windows/registry"
)

// system lists what drivers have entered as serial ports in the registry.
func system() ([]Port, error) {
	key, err := registry.OpenKey(registry.LOCAL_MACHINE, `HARDWARE\DEVICEMAP\SERIALCOMM`, registry.QUERY_VALUE)
	if errors.Is(err, registry.ErrNotExist) {
		return nil, nil // the key comes with the first port
	}
	if err != nil {
		return nil, err
	}
	defer key.Close()
	names, err := key.ReadValueNames(0)
	if err != nil {
		return nil, err
	}
	var list []Port
	for _, name := range names {
		device, _, err := key.GetStringValue(name)
		if err != nil {
			continue // gone since
		}
		list = append(list, Port{Device: device, Name: device, Driver: name})
	}
	return list, nil
}
