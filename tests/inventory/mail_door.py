"""A mail server of a few lines for the tests: it keeps letters, and dies when it is told to."""

import socket
import threading
from email import message_from_bytes


class MailDoor:
    """Speaks as much SMTP (RFC 5321) as a sender needs.

    ``dies`` is a list of moments at which a connection ends, one a connection at most: "before
    answer" has read a whole letter and neither kept nor answered it; "after keeping" has kept it
    and died before its answer; "at greeting" answers nothing at all.
    """

    def __init__(self, *, dies=(), refuses=None):
        self.dies, self.refuses = list(dies), refuses or {}
        self.kept, self.greeted = [], 0
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self):
        self.listener.close()

    def ids(self):
        return [message_from_bytes(letter)["Message-ID"] for letter in self.kept]

    def letters(self):
        return [message_from_bytes(letter) for letter in self.kept]

    def _serve(self):
        while True:
            try:
                line, _ = self.listener.accept()
            except OSError:
                return
            threading.Thread(target=self._talk, args=(line,), daemon=True).start()

    def _talk(self, line):
        self.greeted += 1
        with line, line.makefile("rwb") as door:
            try:
                self._answer_all(door)
            except (OSError, ValueError):
                return

    def _answer_all(self, door):
        if "at greeting" in self.dies[:1]:
            self.dies.pop(0)
            return
        _say(door, "220 here")
        while text := door.readline():
            word = text.split()[0].upper().rstrip(b":")
            if word == b"RCPT":
                address = text.split(b"<")[1].split(b">")[0].decode()
                _say(door, self.refuses.get(address, "250 yes"))
            elif word == b"DATA":
                if self._take_letter(door):
                    return
            else:
                _say(door, "221 good-bye" if word == b"QUIT" else "250 yes")

    def _take_letter(self, door):
        """Read one letter; true where the connection dies with it."""
        _say(door, "354 go on")
        letter = b""
        while (row := door.readline()) != b".\r\n":
            letter += row[1:] if row.startswith(b"..") else row
        moment = self.dies.pop(0) if self.dies else ""
        if moment != "before answer":
            self.kept.append(letter)
        if not moment:
            _say(door, "250 kept")
        return bool(moment)


def _say(door, words):
    door.write(words.encode() + b"\r\n")
    door.flush()
