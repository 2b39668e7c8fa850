"""Telling callgrind what to count, from inside the process that it watches.

Aim. What is counted is a build's processing call and nothing else: neither Python around it nor the library that calls
C from Python.

Method. Valgrind knows its clients' requests by four rotations that together do nothing, with the address of the request
in a register (valgrind.h, "the magic sequence"; callgrind.h numbers the requests). Outside of valgrind they change
nothing. They are written here as machine code, some eighty bytes in a page of memory that may be executed, so that no
compiler is needed: the bracket asks for collection to begin, calls a function, and asks for it to end. Nothing of the
bracket itself is counted round a function of C. Round one of Python, what Python does to begin and to end is; it is the
same for every call, and ``render.counted_run`` counts it on calls that do nothing.

Collection cannot simply be tied to a function's name (``--toggle-collect``): callgrind takes a call that comes from
libffi, through which Python calls C, for a return, because the stack pointer rises before it.

Limits of validity. Machine code is there for x86_64 with the calling convention of Unix, for functions of up to four
arguments that are integers or pointers. Work that a build does in other threads is not counted.
"""

from __future__ import annotations

import ctypes
import mmap
import platform
from typing import Any

MACHINES = ("x86_64", "AMD64")
TOOL = int.from_bytes(b"CT", "big") << 16
DUMP, TOGGLE, START, STOP = TOOL, TOOL + 2, TOOL + 4, TOOL + 5
"""Requests of callgrind.h: write counts down and set them to zero; begin or end to collect; begin, and end, to
instrument, without which a program runs several times as fast."""

REQUEST_BYTES = 6 * 8
C_FUNCTION: Any = ctypes.CFUNCTYPE(None).__base__
"""What every function of C is to Python."""

_MAGIC = bytes.fromhex("48c1c703 48c1c70d 48c1c73d 48c1c733 4887db")  # rol rdi,3 13 61 51; xchg rbx,rbx
_ASK = bytes.fromhex("31d2") + _MAGIC  # xor edx,edx: the answer outside of valgrind
_TAKE = bytes.fromhex("53 4889fb 4989d1")  # push rbx; mov rbx,rdi; mov r9,rdx
_CALL = bytes.fromhex(
    "4889f7 4c89ce 4889ca 4c89c1 ffd3 4889c3"
)  # rdi,rsi,rdx,rcx <- rsi,r9,rcx,r8; call rbx; rbx <- rax
_GIVE = bytes.fromhex("4889d8 5b")  # mov rax,rbx; pop rbx
_RETURN = bytes.fromhex("c3")
_LOAD = bytes.fromhex("48b8")  # mov rax, the 8 bytes that follow


class Bracket:
    """Machine code that brackets calls, and requests of its own."""

    def __init__(self) -> None:
        self._page = mmap.mmap(-1, mmap.PAGESIZE, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)
        self._at = ctypes.addressof(ctypes.c_char.from_buffer(self._page))
        toggle = self._put(_request(TOGGLE))
        load = _LOAD + toggle.to_bytes(8, "little")
        self._bracket = self._put(_TAKE + load + _ASK + _CALL + load + _ASK + _GIVE + _RETURN)
        self._asked = self._put(_request(DUMP))
        load = _LOAD + self._asked.to_bytes(8, "little")
        self._ask = ctypes.CFUNCTYPE(None)(self._put(load + _ASK + _RETURN))
        self._brackets: dict[Any, Any] = {}

    def call(self, function: Any, *arguments: Any, **named: Any) -> Any:
        """Call a function of C, or one of Python, and have it counted. Its result."""
        if not isinstance(function, C_FUNCTION):
            self.ask(TOGGLE)
            try:
                return function(*arguments, **named)
            finally:
                self.ask(TOGGLE)
        shape: tuple[Any, ...] = function.restype, *(function.argtypes or ())
        if shape not in self._brackets:
            self._brackets[shape] = ctypes.CFUNCTYPE(shape[0], ctypes.c_void_p, *shape[1:])(self._bracket)
        return self._brackets[shape](ctypes.cast(function, ctypes.c_void_p), *arguments)

    def ask(self, number: int) -> None:
        """Make a request without arguments."""
        ctypes.memmove(self._asked, _request(number), REQUEST_BYTES)
        self._ask()

    def _put(self, code: bytes) -> int:
        """Write into the page. The address."""
        place = self._at + self._page.tell()
        self._page.write(code.ljust(-(-len(code) // 16) * 16, b"\xcc"))
        return place


def why_not_here() -> str:
    """Why calls cannot be bracketed on this machine; empty where they can."""
    return "" if platform.machine() in MACHINES else f"no machine code for {platform.machine()}"


def _request(number: int) -> bytes:
    return number.to_bytes(8, "little").ljust(REQUEST_BYTES, b"\0")
