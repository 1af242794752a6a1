"""What can stand between a seat and its host: a relay that is silent for a while, and a proxy."""

from __future__ import annotations

import contextlib
import socket
import threading


class Relay:
    """A TCP port on loopback that leads to a guest's.

    Until it is :meth:`opened <open>` nobody gets an answer there, as from a host without power: the
    kernel drops what comes to a listening port that has as many waiting as it takes (Linux
    listen(2)).
    """

    def __init__(self, target: int) -> None:
        self._target = target
        self._listening = socket.socket()
        self._listening.bind(("127.0.0.1", 0))
        self._listening.listen(0)
        self.port = int(self._listening.getsockname()[1])
        self._waiting = [self._fill() for _ in range(2)]

    def open(self) -> None:
        """Let those in who come from now on."""
        for one in self._waiting:
            one.close()
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        """End the port."""
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()

    def _fill(self) -> socket.socket:
        """One that waits and is never let in."""
        one = socket.socket()
        one.setblocking(False)
        one.connect_ex(("127.0.0.1", self.port))
        return one

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listening.accept()
                far = socket.create_connection(("127.0.0.1", self._target))
                join(near, far)


class Proxy:
    """A proxy on loopback that knows CONNECT and the hosts it is told of (RFC 9110, 9.3.6)."""

    def __init__(self, hosts: dict[str, tuple[str, int]]) -> None:
        self.asked: list[str] = []
        self._hosts = hosts
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        """End the port."""
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listening.accept()
                threading.Thread(target=self._answer, args=(near,), daemon=True).start()

    def _answer(self, near: socket.socket) -> None:
        request = near.makefile("rb", buffering=0)
        words = request.readline(8192).decode().split()
        if not words:
            near.close()  # somebody only wanted to know whether it is there
            return
        while request.readline(8192).strip():
            pass
        self.asked.append(words[1])
        if words[0] != "CONNECT" or words[1] not in self._hosts:
            near.sendall(b"HTTP/1.1 403 Forbidden\r\n\r\n")
            near.close()
            return
        far = socket.create_connection(self._hosts[words[1]])
        near.sendall(b"HTTP/1.1 200 Connected\r\n\r\n")
        join(near, far)


def join(near: socket.socket, far: socket.socket) -> None:
    """Carry bytes both ways until one side ends."""
    for source, target in ((near, far), (far, near)):
        threading.Thread(target=_carry, args=(source, target), daemon=True).start()


def _carry(source: socket.socket, target: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while data := source.recv(65536):
            target.sendall(data)
    for one in (source, target):
        with contextlib.suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)
