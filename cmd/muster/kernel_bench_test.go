package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"
)

// The kernel bench runs scripts of testdata/kernel/parts on a Linux that has CAN, with muster and with independent
// programs. That is this computer's own kernel where it can make a virtual CAN interface, in a network namespace that
// goes with the part; otherwise a stock Debian kernel in a PC emulated in software, with CAN controllers on emulated
// buses, which needs no privilege. The PC's root is this computer's file tree. It is started once, by the first test
// that needs it, and serves all tests of a run. For which program checks what see testdata/kernel/README.md.

// benchFetch is what fills the cache with the PC's kernel, and benchInstall what installs the programs.
const (
	benchFetch   = "cmd/muster/testdata/kernel/fetch"
	benchInstall = "apt-get install --no-install-recommends qemu-system-x86 busybox-static cpio kmod iproute2 can-utils gpsd gpsd-clients socat curl"
)

const benchNeeds = "It needs: " + benchInstall + "; then run " + benchFetch + ", which puts Debian's kernel into the cache"

// partLimit bounds a part on a machine that has hardly any time for it; the longest takes four minutes. The other tests of a run need
// their time too.
const partLimit, othersNeed = 40 * time.Minute, 3 * time.Minute

// vcanPart runs a part that needs virtual interfaces alone and returns the folder of what it left.
func vcanPart(t *testing.T, name string) string {
	t.Helper()
	return runPart(t, name, "--net", func(dir string) (runner, error) {
		if flags := ownCAN(); flags != nil {
			return ownKernel{dir, flags}, nil
		}
		return startedPC()
	})
}

// pcPart runs a part in the emulated PC and on its own network, where the controllers are and where the kernel puts serial adapters.
func pcPart(t *testing.T, name string) string {
	t.Helper()
	return runPart(t, name, "", func(string) (runner, error) { return startedPC() })
}

// runner is a kernel that runs parts.
type runner interface {
	// run runs a part to its end and gives its exit status. An error is about the kernel, not about the part. The part has its limit and
	// ends before that moment.
	run(name, out, net string, end time.Time) (status string, err error)
	fmt.Stringer
}

func runPart(t *testing.T, name, net string, choose func(dir string) (runner, error)) string {
	t.Helper()
	if testing.Short() {
		t.Skip("needs a kernel with CAN; -short is set")
	}
	for _, program := range []string{"unshare", "setpriv", "ip", "candump", "cansend", "j1939acd", "testj1939", "gpsd", "gpspipe", "canbusload",
		"canplayer", "socat", "slcand", "curl"} {
		if _, err := exec.LookPath(program); err != nil {
			benchFailed(t, fmt.Errorf("%w\n%s", err, benchNeeds))
		}
	}
	dir, err := benchFolder()
	if err != nil {
		t.Fatal(err)
	}
	r, err := choose(dir)
	if err != nil {
		benchFailed(t, err)
	}
	out, err := os.MkdirTemp(filepath.Join(dir, "out"), name+".")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(out, 0o755); err != nil {
		t.Fatal(err)
	}
	start := time.Now()
	end, limited := t.Deadline()
	if !limited {
		end = start.Add(24 * time.Hour)
	}
	status, err := r.run(name, out, net, end.Add(-othersNeed))
	if err != nil {
		benchFailed(t, err)
	}
	if status != "0" {
		t.Fatalf("the part ended with status %s:\n%s", status, content(t, filepath.Join(out, "part.log")))
	}
	t.Logf("%s took %v on %s", name, time.Since(start).Round(time.Second/10), r)
	return out
}

var errNoTime = errors.New("this run has no time left: give it more with -timeout")

// benchFailed is for what is no fault of muster: it skips the test, or fails it where nothing may skip.
func benchFailed(t *testing.T, err error) {
	t.Helper()
	if os.Getenv("MUSTER_TEST_ALL") == "1" {
		t.Fatalf("the bench failed, not muster: %v", err)
	}
	t.Skipf("no kernel with CAN: %v", err)
}

// benchFolder is where the programs and scripts of the parts are; it goes with endBench.
var benchFolder = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "muster-kernel-")
	if err != nil {
		return "", err
	}
	benchMade = dir
	if dir, err = filepath.EvalSymlinks(dir); err != nil {
		return "", err
	}
	if err := benchPrograms(filepath.Join(dir, "bin")); err != nil {
		return "", err
	}
	kernel, _ := pcKernel() // none: then there is no PC
	scenarios, err := workScenarios()
	if err != nil {
		return "", err
	}
	tests, err := os.Executable()
	if err != nil {
		return "", err
	}
	here, err := os.Getwd()
	if err != nil {
		return "", err
	}
	env := fmt.Sprintf("MUSTER=%s/bin/muster\nKERNEL=%s\nTESTS=%s\nPACKAGE=%s\n", dir, kernel, tests, here)
	for name, text := range scenarios {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			return "", err
		}
	}
	return dir, errors.Join(os.Chmod(dir, 0o755), os.Mkdir(filepath.Join(dir, "out"), 0o755), os.CopyFS(dir, os.DirFS("testdata/kernel")),
		os.CopyFS(filepath.Join(dir, "sheets"), os.DirFS("../../deploy/sheets")), os.WriteFile(filepath.Join(dir, "env"), []byte(env), 0o644),
		copyFile("../../deploy/systemd/10-muster.conf", dir))
})

// benchBuilt names the folder of the programs of the parts where they are built already, as in a kernel too slow to build them.
const benchBuilt = "MUSTER_BENCH_BUILT"

// benchPrograms puts the programs of the parts into a folder.
func benchPrograms(dir string) error {
	if built := os.Getenv(benchBuilt); built != "" {
		return os.Symlink(built, dir)
	}
	build := exec.Command("go", "build", "-o", dir+"/", ".", "./testdata/kernel/talk", "./testdata/kernel/flood")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if text, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("build for the bench: %w: %s", err, text)
	}
	return nil
}

// benchMade is the folder to take away when the tests of this process are through, and benchPC the computer that TestKernel switches off.
var (
	benchMade string
	benchPC   *pc
)

// benchTests ends the bench after the tests.
type benchTests struct{ *testing.M }

func (m benchTests) Run() int {
	status := m.M.Run()
	if benchMade != "" && os.Getenv("MUSTER_BENCH_KEEP") == "" { // set it to inspect what the parts left
		os.RemoveAll(benchMade)
	}
	return status
}

func copyFile(file, dir string) error {
	data, err := os.ReadFile(file)
	return errors.Join(err, os.WriteFile(filepath.Join(dir, filepath.Base(file)), data, 0o644))
}

// ownCAN are the flags of unshare with which this computer's kernel makes virtual CAN interfaces and supports J1939
// on them; nil if it does not.
var ownCAN = sync.OnceValue(func() []string {
	for _, flags := range [][]string{{"--net"}, {"--net", "--map-root-user"}} {
		const try = "ip link add can0 type vcan && ip link set can0 up && testj1939 can0:0x50"
		if exec.Command("unshare", append(flags, "--mount", "--pid", "--fork", "sh", "-c", try)...).Run() == nil {
			return flags
		}
	}
	return nil
})

// ownKernel runs parts on this computer.
type ownKernel struct {
	dir   string
	flags []string
}

func (ownKernel) String() string { return "this machine's own kernel" }

func (k ownKernel) run(name, out, _ string, end time.Time) (string, error) {
	limit := min(partLimit, time.Until(end))
	if limit <= 0 {
		return "", errNoTime
	}
	args := append(k.flags, "--mount", "--pid", "--fork", "--kill-child", "--mount-proc", "sh", filepath.Join(k.dir, "part.sh"), name, out)
	c := exec.Command("timeout", append([]string{"--signal=KILL", fmt.Sprint(limit.Seconds()), "unshare"}, args...)...)
	err := c.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		return "", err
	}
	return fmt.Sprint(c.ProcessState.ExitCode()), nil
}

// pc is the emulated PC.
type pc struct {
	boot    time.Duration  // what it took until it was up
	console string         // file of the kernel's messages
	orders  io.WriteCloser // its second serial port
	kill    context.CancelFunc
	ended   chan struct{} // closed when it is off
	alone   sync.Mutex    // held by a part that has the PC's own network
	mu      sync.Mutex    // guards the fields below
	waiting map[string]chan string
}

// pcKernel finds the newest kernel in the cache.
func pcKernel() (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	found, _ := filepath.Glob(filepath.Join(cache, "muster-kernel", "*", "vmlinuz"))
	if len(found) == 0 {
		return "", fmt.Errorf("no kernel in %s/muster-kernel", cache)
	}
	return filepath.Dir(found[len(found)-1]), nil
}

var startedPC = sync.OnceValues(func() (runner, error) {
	p, err := startPC()
	if err != nil {
		return nil, fmt.Errorf("this machine's own kernel has no CAN (ip link add type vcan), and the emulated PC did not start: %w\n%s",
			err, benchNeeds)
	}
	benchPC = p
	return p, nil
})

// pcCommand is the emulated PC with a script of the host as its first process. Its console goes to a file, its second serial port to the
// standard input and output.
func pcCommand(ctx context.Context, dir, script string) (c *exec.Cmd, console string, err error) {
	if runtime.GOARCH != "amd64" {
		return nil, "", errors.New("it runs this machine's own programs, and is there for amd64 alone")
	}
	for _, program := range []string{"qemu-system-x86_64", "busybox", "cpio", "modprobe", "setpriv"} {
		if _, err := exec.LookPath(program); err != nil {
			return nil, "", err
		}
	}
	kernel, err := pcKernel()
	if err != nil {
		return nil, "", err
	}
	disk := filepath.Join(dir, "initrd.img")
	if text, err := exec.Command("testdata/kernel/initrd", kernel, disk).CombinedOutput(); err != nil {
		return nil, "", fmt.Errorf("initrd: %w: %s", err, text)
	}
	console = filepath.Join(dir, "console.log")
	accelerator := "tcg,thread=multi"
	if own := os.Getenv("MUSTER_BENCH_ACCEL"); own != "" { // such as kvm, which hangs on machines that show it but cannot nest
		accelerator = own
	}
	args := []string{"--pdeathsig", "KILL", "qemu-system-x86_64", "-accel", accelerator, "-cpu", "max", "-m", "1024", "-smp", "2",
		"-nodefaults", "-no-user-config", "-display", "none", "-no-reboot",
		"-kernel", filepath.Join(kernel, "vmlinuz"), "-initrd", disk,
		"-append", "console=ttyS0 quiet panic=-1 mitigations=off no_timer_check bench=" + filepath.Join(dir, script),
		"-serial", "file:" + console, "-serial", "stdio",
		"-fsdev", "local,id=host,path=/,security_model=none,multidevs=remap", "-device", "virtio-9p-pci,fsdev=host,mount_tag=host",
		"-fsdev", "local,id=out,path=" + filepath.Join(dir, "out") + ",security_model=none", "-device", "virtio-9p-pci,fsdev=out,mount_tag=out"}
	args = append(args, "-object", "can-bus,id=a", "-object", "can-bus,id=b")
	for _, wire := range []string{"a", "b", "a", "b"} { // can0 to can3; those of one wire have interrupt lines of their own
		args = append(args, "-device", "kvaser_pci,canbus="+wire)
	}
	return exec.CommandContext(ctx, "setpriv", args...), console, nil
}

// startPC boots it and waits until it takes orders.
func startPC() (*pc, error) {
	dir, err := benchFolder()
	if err != nil {
		return nil, err
	}
	ctx, kill := context.WithCancel(context.Background())
	c, console, err := pcCommand(ctx, dir, "init.sh")
	if err != nil {
		kill()
		return nil, err
	}
	orders, err := c.StdinPipe()
	answers, err2 := c.StdoutPipe()
	if err := errors.Join(err, err2); err != nil {
		kill()
		return nil, err
	}
	var said strings.Builder
	c.Stderr = &said
	p := &pc{console: console, orders: orders, kill: kill, ended: make(chan struct{}), waiting: map[string]chan string{}}
	up := make(chan string, 1)
	p.waiting["up"] = up
	failed := make(chan error, 1)
	start := time.Now()
	go func() {
		runtime.LockOSThread() // the PC is killed when the thread that started it ends
		defer close(p.ended)
		if err := c.Start(); err != nil {
			failed <- err
			return
		}
		p.listen(answers)
		failed <- fmt.Errorf("it stopped (%v): %s", c.Wait(), said.String())
	}()
	select {
	case err := <-failed:
		return nil, p.fault(err)
	case <-time.After(5 * time.Minute):
		kill()
		return nil, p.fault(errors.New("it was not up after 5 minutes"))
	case <-up:
		p.boot = time.Since(start)
		return p, nil
	}
}

// runPC boots the PC with a script of a folder, waits until it switches itself off and gives its kernel's output.
func runPC(dir, script string) (console []byte, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), partLimit)
	defer cancel()
	c, file, err := pcCommand(ctx, dir, script)
	if err != nil {
		return nil, err
	}
	runtime.LockOSThread() // the PC is killed when the thread that started it ends
	defer runtime.UnlockOSThread()
	said, err := c.CombinedOutput()
	console, _ = os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("the emulated PC: %w: %s\n%s", err, said, console)
	}
	return console, nil
}

// listen hands each answer, a name and a word, to who waits for it.
func (p *pc) listen(answers io.Reader) {
	lines := bufio.NewScanner(answers)
	for lines.Scan() {
		name, word, _ := strings.Cut(strings.TrimSpace(lines.Text()), " ")
		p.mu.Lock()
		if c := p.waiting[name]; c != nil {
			c <- word
			delete(p.waiting, name)
		}
		p.mu.Unlock()
	}
}

func (p *pc) fault(err error) error {
	text, _ := os.ReadFile(p.console)
	return fmt.Errorf("%w\n%s", err, text)
}

func (p *pc) String() string {
	return fmt.Sprintf("the emulated PC, which was up after %v", p.boot.Round(time.Second/10))
}

func (p *pc) run(name, out, net string, end time.Time) (string, error) {
	if net == "" {
		p.alone.Lock()
		defer p.alone.Unlock()
	}
	limit := min(partLimit, time.Until(end))
	if limit <= 0 {
		return "", errNoTime
	}
	answer := make(chan string, 1)
	p.mu.Lock()
	p.waiting[out] = answer
	_, err := fmt.Fprintf(p.orders, "%s %s %s\n", name, out, net)
	p.mu.Unlock()
	if err != nil {
		return "", p.fault(err)
	}
	select {
	case status := <-answer:
		return status, nil
	case <-p.ended:
		return "", p.fault(errors.New("the emulated PC stopped"))
	case <-time.After(limit):
		return "", p.fault(fmt.Errorf("%s did not end within %v", name, limit))
	}
}

// off switches the PC off.
func (p *pc) off() {
	p.kill() // nothing of it is kept
	<-p.ended
}
