package engine

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

const lockFile = "lock"

// Lock is the exclusive hold of one process on a data folder. The system frees
// it when the process ends in any way, so a stale lock does not exist.
type Lock struct {
	file *os.File
}

// LockedError says that another process holds the folder.
type LockedError struct {
	// Dir is the folder.
	Dir string
	// PID is the holder's process id, or 0 when it has not been written yet.
	PID int
}

// Error names the folder and the holder.
func (e *LockedError) Error() string {
	if e.PID == 0 {
		return fmt.Sprintf("folder %s is in use by another process", e.Dir)
	}
	return fmt.Sprintf("folder %s is in use by process %d", e.Dir, e.PID)
}

// AcquireLock takes the lock on the folder, which is made when missing, or
// returns a [LockedError] at once when another holder has it.
func AcquireLock(dir string) (*Lock, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("making the data folder: %w", err)
	}
	f, err := os.OpenFile(filepath.Join(dir, lockFile), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("opening the lock of folder %s: %w", dir, err)
	}
	if err := tryLock(f); err != nil {
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = &LockedError{Dir: dir, PID: readPID(f)}
		} else {
			err = fmt.Errorf("locking folder %s: %w", dir, err)
		}
		return nil, errors.Join(err, f.Close())
	}
	if err := writePID(f); err != nil {
		return nil, errors.Join(fmt.Errorf("noting the holder of folder %s: %w", dir, err), f.Close())
	}
	return &Lock{file: f}, nil
}

// Release gives the folder back. The file stays: removing it would let two
// processes hold locks on two files of the same name.
func (l *Lock) Release() error {
	if err := errors.Join(l.file.Truncate(0), l.file.Close()); err != nil {
		return fmt.Errorf("releasing the lock: %w", err)
	}
	return nil
}

func tryLock(f *os.File) error {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if !errors.Is(err, syscall.EINTR) {
			return err
		}
	}
}

func writePID(f *os.File) error {
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err := f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	return err
}

func readPID(f *os.File) int {
	raw, err := io.ReadAll(io.LimitReader(f, 32))
	if err != nil {
		return 0
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(raw)))
	if err != nil {
		return 0
	}
	return pid
}
