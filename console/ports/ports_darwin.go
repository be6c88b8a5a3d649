package ports

import "path/filepath"

// system lists the call-out devices; their names carry what the driver knows
// of the adapter.
func system() ([]Port, error) {
	devices, err := filepath.Glob("/dev/cu.*")
	if err != nil {
		return nil, err
	}
	var list []Port
	for _, d := range devices {
		list = append(list, Port{Device: d, Name: filepath.Base(d)})
	}
	return list, nil
}
