"""The process between the suite and somebody's build: sets limits, runs it, watches it, and leaves nobody behind.

    python -I -S -c LAUNCH STATUS_FD SUITE_PID CPU_SECONDS MEMORY_BYTES FILE_BYTES PROCESSES CORE FOLDER PROGRAM ARG…

Stands alone (standard library only, few imports: every render pays for its start). It adopts every process that the
build leaves behind, however it detached itself, and kills them all when the build ends, when it is told to stop
(SIGTERM) and when the suite itself dies. A limit of 0 is no limit, a core of -1 any core, an empty FOLDER none.

The system itself holds each process to MEMORY_BYTES of address space, CPU_SECONDS, and FILE_BYTES a file. What all
processes of a build use together the system does not limit for an ordinary user. On Linux it is looked at here, every
0.05 s at first and every 0.2 s later: their number, their memory (resident; what they share counts once), what has been
added to FOLDER, and files without a name that they hold open. What is done faster than that goes unseen. Looking takes
no more than a tenth of the time.

Into STATUS_FD it writes one line: ``wait status, CPU seconds`` of the build and of those of its children that it waited
for, the number of processes that still ran ``GRACE_S`` after it ended, why it was ended (``memory``, ``files`` or
``processes``: too much of it; ``stopped``: told to; ``-``: by itself), and the peak of its resident memory as the
system tells it (``ru_maxrss``: of the largest of those processes, and no less than this one has when it forks).
"""

import os
import resource
import signal
import stat
import sys
import time

PR_SET_PDEATHSIG = 1
PR_SET_CHILD_SUBREAPER = 36
FIRST_LOOK_S, LONGEST_PAUSE_S, LOOKING_SHARE = 0.05, 0.2, 0.1
GRACE_S = 0.5
SMALLEST_FILE = 4096
"""Bytes that a file counts for at least: a million empty ones fill a disk, too."""
STOPPED = "stopped"
SIGNALS = {signal.SIGTERM, signal.SIGCHLD}


def main() -> None:
    """Run the build to its end, tell how it ended, and end whatever it left."""
    status_fd, suite, cpu_seconds, memory_bytes, file_bytes, processes, core = (int(text) for text in sys.argv[1:8])
    folder, argv = sys.argv[8], sys.argv[9:]
    limits = {
        resource.RLIMIT_AS: memory_bytes,
        resource.RLIMIT_CPU: cpu_seconds,
        resource.RLIMIT_FSIZE: file_bytes,
        resource.RLIMIT_CORE: 0,
    }
    os.set_inheritable(status_fd, False)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)  # ignored, as a parent may hand down, children would end untold
    prctl(PR_SET_CHILD_SUBREAPER, 1)
    prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
    if os.getppid() != suite:
        return
    watch = Watch(processes, memory_bytes, file_bytes, folder)
    # A stop that comes while the build is being born waits until there is something to stop.
    signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
    build = os.fork()
    if build == 0:
        prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
        become(argv, limits, core)
    wait = wait_watching if sys.platform == "linux" else wait_only
    status, usage, why = wait(build, watch)
    left = 0 if why else lingering()
    end_all()
    cpu_s = usage.ru_utime + usage.ru_stime
    os.write(status_fd, f"{status} {cpu_s!r} {left} {why or '-'} {usage.ru_maxrss}\n".encode())


def prctl(option: int, value: int) -> None:
    """Linux only: change how the system treats this process."""
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(option, value, 0, 0, 0)


def become(argv: list[str], limits: dict[int, int], core: int) -> None:
    """In the child: take the limits on and turn into the build. Does not return."""
    try:
        os.setsid()
        if core >= 0:
            os.sched_setaffinity(0, {core})
        for number in (signal.SIGPIPE, signal.SIGXFSZ, signal.SIGINT):
            signal.signal(number, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_SETMASK, ())
        for kind, value in limits.items():
            set_limit(kind, value)
        os.execvp(argv[0], argv)  # noqa: S606 - an argv list, no shell: that is the point
    except OSError as error:
        os.write(2, f"cannot run {argv[0]}: {error.strerror}\n".encode())
    finally:
        os._exit(126)


def set_limit(kind: int, value: int) -> None:
    """0 is no limit, save for core files: a crash must not leave one beside the user's sources."""
    if value == 0 and kind != resource.RLIMIT_CORE:
        return
    hard = resource.getrlimit(kind)[1]
    if hard != resource.RLIM_INFINITY:
        value = min(value, hard)
    try:  # noqa: SIM105 - contextlib costs every render a millisecond
        resource.setrlimit(kind, (value, value))
    except (OSError, ValueError):
        pass  # some systems refuse


def wait_watching(build: int, watch: "Watch") -> tuple[int, resource.struct_rusage, str]:
    """Wait for the build, looking at it now and then. Its wait status, what it used, and why it was ended by us."""
    pause, why = FIRST_LOOK_S, ""
    while True:
        came = signal.sigtimedwait(SIGNALS, pause)
        if came is None and not why:
            began = time.monotonic()
            why = watch.too_much()
            pause = max(min(2 * pause, LONGEST_PAUSE_S), (time.monotonic() - began) / LOOKING_SHARE)
        elif came and came.si_signo == signal.SIGTERM:
            why = STOPPED
        if why:
            end(build)
        pid = -1
        while pid:  # several may have ended, adopted ones among them
            pid, status, usage = os.wait4(-1, os.WNOHANG)
            if pid == build:
                return status, usage, why


def wait_only(build: int, watch: "Watch") -> tuple[int, resource.struct_rusage, str]:  # noqa: ARG001
    """The same where the system does not show what processes use."""
    signal.signal(signal.SIGTERM, lambda *_: end(build))
    signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
    _, status, usage = os.wait4(build, 0)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    kill(-build)
    return status, usage, ""


class Watch:
    """What a build may use in all its processes together."""

    def __init__(self, processes: int, memory_bytes: int, file_bytes: int, folder: str) -> None:
        self.processes = processes
        self.memory_bytes = memory_bytes
        self.folder = folder
        self.file_bytes = file_bytes + size_of(folder) if folder and file_bytes else 0

    def too_much(self) -> str:
        """``processes``, ``memory``, ``files``, or empty."""
        pids = descendants()
        if self.processes and len(pids) > self.processes:
            return "processes"
        # What is shared counts for everyone in the quick sum, so that only a sum too large needs the exact one.
        if self.memory_bytes and resident(pids) > self.memory_bytes and proportional(pids) > self.memory_bytes:
            return "memory"
        if self.file_bytes and size_of(self.folder) + unlinked(pids) > self.file_bytes:
            return "files"
        return ""


def descendants() -> list[int]:
    """All processes below us; none where the system does not list them."""
    found = children(os.getpid())
    for pid in found:
        found += children(pid)
    return found


def children(parent: int) -> list[int]:
    """Its children, adopted ones included; none when it is gone."""
    found = []
    try:
        for task in os.listdir(f"/proc/{parent}/task"):  # noqa: PTH208 - pathlib costs every render milliseconds
            found += [int(pid) for pid in text_of(f"/proc/{parent}/task/{task}/children").split()]
    except OSError:
        pass  # it has just ended
    return found


def text_of(path: str) -> bytes:
    """What stands in a file of /proc; nothing when its process is gone."""
    pieces = []
    try:
        with open(path, "rb", buffering=0) as file:  # noqa: PTH123 - as above
            while piece := file.read(1 << 16):
                pieces.append(piece)
    except OSError:
        pass
    return b"".join(pieces)


def resident(pids: list[int]) -> int:
    """Bytes of memory in use by processes, shared ones counted for each."""
    pages = (text_of(f"/proc/{pid}/statm").split()[1:2] for pid in pids)
    return sum(int(page[0]) for page in pages if page) * resource.getpagesize()


def proportional(pids: list[int]) -> int:
    """Bytes of memory in use by processes, shared ones counted once, where the system tells."""
    total = 0
    for pid in pids:
        told = [line for line in text_of(f"/proc/{pid}/smaps_rollup").split(b"\n") if line.startswith(b"Pss:")]
        total += int(told[0].split()[1]) << 10 if told else resident([pid])
    return total


def size_of(folder: str) -> int:
    """Bytes on the disk of all files in a folder. What vanishes meanwhile or cannot be read counts nothing."""
    total = 0
    folders = [folder]
    for inner in folders:
        for entry in entries_of(inner):
            try:
                total += max(SMALLEST_FILE, entry.stat(follow_symlinks=False).st_blocks * 512)
                if entry.is_dir(follow_symlinks=False):
                    folders.append(entry.path)
            except OSError:  # noqa: PERF203
                pass  # removed under our hands
    return total


def unlinked(pids: list[int]) -> int:
    """Bytes of files that processes hold open and that have no name any more, those in memory included."""
    sizes = {}
    for pid in pids:
        for entry in entries_of(f"/proc/{pid}/fd"):
            try:
                held = entry.stat()
            except OSError:
                continue  # closed under our hands
            if held.st_nlink == 0 and stat.S_ISREG(held.st_mode):
                sizes[held.st_dev, held.st_ino] = held.st_blocks * 512
    return sum(sizes.values())


def entries_of(folder: str) -> list["os.DirEntry[str]"]:
    """What lies in a folder; nothing when it is gone."""
    try:
        with os.scandir(folder) as entries:
            return list(entries)
    except OSError:
        return []


def lingering() -> int:
    """How many processes still run a little after the build: some only need a moment to notice its end."""
    deadline = time.monotonic() + GRACE_S
    while reap():
        if signal.sigtimedwait({signal.SIGTERM}, 0.01) or time.monotonic() > deadline:
            return len(descendants())
    return 0


def reap() -> bool:
    """Take note of all that have ended. Whether there are others."""
    try:
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass
    except ChildProcessError:
        return False
    return True


def end(build: int) -> None:
    """Kill the build and its group."""
    for pid in (-build, build):
        kill(pid)


def end_all() -> None:
    """Kill everybody who is left: each death hands its own children over to us."""
    while reap():
        left = children(os.getpid())
        for pid in left:
            kill(pid)
        if not left:
            return  # the system does not list them
        time.sleep(0.001)


def kill(pid: int) -> None:
    """Kill a process, or a group by its negative number; it may be gone already."""
    try:  # noqa: SIM105 - as above
        os.kill(pid, signal.SIGKILL)
    except OSError:
        pass
