"""Commands in processes of their own, without the second that importing the tool takes each time.

One process imports `migrate` and then forks for every command: each has its own arguments,
environment, folder, streams, signals and locks, and ends by itself. Run as a script it is that
process; the class in it is the other end, for the tests.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import traceback
from pathlib import Path
from typing import Any

LONGEST = 1 << 20


class Starter:
    """Starts commands; `ended` has a future of the exit code for each process id."""

    def __init__(self) -> None:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", __spec__.name, str(theirs.fileno())],
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                cwd=Path(__file__).parents[2],
            )
        self._socket = ours

    def start(
        self, args: list[str], env: dict[str, str], cwd: str, streams: tuple[int, int, int]
    ) -> int:
        """Fork a command; its process id."""
        asked = json.dumps({"args": args, "env": env, "cwd": cwd}).encode()
        socket.send_fds(self._socket, [asked], list(streams))
        while True:
            told = self._told()
            if "started" in told:
                return int(told["started"])

    async def wait(self, pid: int) -> int:
        """The exit code of a command, negative for the signal that ended it."""
        loop = asyncio.get_running_loop()
        while pid not in _CODES:
            readable: asyncio.Future[None] = loop.create_future()
            loop.add_reader(self._socket, _settle, readable)
            try:
                await readable
            finally:
                loop.remove_reader(self._socket)
            self._told()
        return _CODES[pid]

    def close(self) -> None:
        """End the starter. Commands that still run are ended with it."""
        self._socket.close()
        self._process.wait(10)

    def _told(self) -> dict[str, Any]:
        octets = self._socket.recv(LONGEST)
        if not octets:
            raise RuntimeError("the starter has ended")
        told: dict[str, Any] = json.loads(octets)
        if "ended" in told:
            _CODES[told["ended"]] = told["code"]
        return told


_CODES: dict[int, int] = {}


def _settle(future: asyncio.Future[None]) -> None:
    if not future.done():
        future.set_result(None)


def _serve(channel: socket.socket) -> None:
    from migrate.cli import app

    woken, wake = os.pipe()
    os.set_blocking(wake, False)
    signal.signal(signal.SIGCHLD, lambda number, frame: None)
    signal.set_wakeup_fd(wake)
    running: set[int] = set()
    while True:
        ready, _, _ = select.select([channel.fileno(), woken], [], [])
        if woken in ready:
            os.read(woken, 4096)
            for pid in list(running):
                ended, status = os.waitpid(pid, os.WNOHANG)
                if ended:
                    running.discard(pid)
                    code = os.waitstatus_to_exitcode(status)
                    channel.send(json.dumps({"ended": pid, "code": code}).encode())
        if channel.fileno() in ready:
            octets, streams, _, _ = socket.recv_fds(channel, LONGEST, 3)
            if not octets:
                for pid in running:
                    os.kill(pid, signal.SIGKILL)
                return
            pid = os.fork()
            if pid == 0:
                signal.set_wakeup_fd(-1)
                # As a terminal starts a command, also where the tests run under nohup(1).
                for number in (signal.SIGCHLD, signal.SIGHUP, signal.SIGTERM):
                    signal.signal(number, signal.SIG_DFL)
                signal.signal(signal.SIGINT, signal.default_int_handler)
                for end in (woken, wake, channel.fileno()):
                    os.close(end)
                _become(json.loads(octets), streams, app.main)
            running.add(pid)
            for stream in streams:
                os.close(stream)
            channel.send(json.dumps({"started": pid}).encode())


def _become(asked: dict[str, Any], streams: list[int], main: Any) -> None:
    for number, stream in enumerate(streams):
        os.dup2(stream, number)
        os.close(stream)
    sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", encoding="utf-8", closefd=False, buffering=1)  # noqa: SIM115
    os.chdir(asked["cwd"])
    os.environ.clear()
    os.environ.update(asked["env"])
    sys.argv = ["migrate", *asked["args"]]
    code: Any = 1
    try:
        main()
        code = 0
    except SystemExit as end:
        code = end.code
    except BaseException:  # noqa: BLE001
        traceback.print_exc()  # the tests look for it
    finally:
        with contextlib.suppress(OSError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(int(code or 0))


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))
