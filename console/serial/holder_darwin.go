package serial

// holder is not told by this system.
func holder(device) string { return "" }

// isOther is found out by setting the device.
func (device) isOther() bool { return false }
