"""Code for a process of one's own that the kernel ends when it reaches for the network.

A seccomp filter of a few instructions (kernel documentation, userspace-api/seccomp_filter;
linux/bpf_common.h): whichever library asks, in whatever language.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

LINUX = Path("/proc/self/status").exists()
_FILTER = """
import ctypes, platform, struct
socket_call, connect_call = {{"x86_64": (41, 42), "aarch64": (198, 203)}}[platform.machine()]
code = b"".join(struct.pack("HBBI", *line) for line in ({lines}))
class Program(ctypes.Structure):
    _fields_ = [("length", ctypes.c_ushort), ("lines", ctypes.c_char_p)]
libc = ctypes.CDLL(None, use_errno=True)
assert libc.prctl(38, 1, 0, 0, 0) == 0
assert libc.prctl(22, 2, ctypes.byref(Program(len(code) // 8, code)), 0, 0) == 0
"""
NO_SOCKETS = _FILTER.format(
    lines="""
    (0x20, 0, 0, 0),                # load the system call's number
    (0x15, 0, 1, socket_call),      # is it socket()?
    (0x06, 0, 0, 0x80000000),       # end the whole process
    (0x06, 0, 0, 0x7FFF0000),       # let it pass
"""
)
# A server may listen; it may connect to nobody, and have no socket that sends without connecting.
NOTHING_OUTGOING = _FILTER.format(
    lines="""
    (0x20, 0, 0, 0),                # load the system call's number
    (0x15, 5, 0, connect_call),     # connect(): to the end
    (0x15, 0, 3, socket_call),      # all but socket(): let it pass
    (0x20, 0, 0, 24),               # load its second argument, the kind of socket
    (0x54, 0, 0, 0xF),              # without its flags
    (0x25, 1, 0, 1),                # anything but a stream: to the end
    (0x06, 0, 0, 0x7FFF0000),       # let it pass
    (0x06, 0, 0, 0x80000000),       # end the whole process
"""
)


def run(code: str) -> subprocess.CompletedProcess[str]:
    """Run code in a Python of its own, with all that is imported here at hand."""
    return subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True, text=True, env=with_our_path(), check=False,
    )  # fmt: skip


def with_our_path() -> dict[str, str]:
    """Return an environment in which such a Python finds what this one does."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
