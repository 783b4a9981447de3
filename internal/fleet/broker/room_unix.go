//go:build linux || darwin

package broker

import "syscall"

// room is how many bytes of a disk are free, 0 when that is not known.
func room(dir string) int64 {
	var fs syscall.Statfs_t
	if err := syscall.Statfs(dir, &fs); err != nil {
		return 0
	}
	return int64(uint64(fs.Bavail) * uint64(fs.Bsize))
}
