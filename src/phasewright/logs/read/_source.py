"""The file itself: may it be read, in which encoding, and its bytes in blocks of whole lines."""

from __future__ import annotations

import codecs
import hashlib
import os
import queue
import re
import stat
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from phasewright.bench import Fault, LogFault, escape

HEAD = 1 << 18
"""Bytes at the start of a file from which encoding and layout are found."""
BLOCK = 1 << 20
"""Bytes read at a time: fits the second-level cache."""
PAD = 32
"""Zero bytes before and after the lines of a block: eight bytes may be read that end, or start, with any cell."""
PADDING = b"\0" * PAD
MAX_LINE = 1 << 20
"""Longest line [byte]."""

_MAGIC = (
    (b"\x1f\x8b", "a gzip archive", "unpack it first"),
    (b"BZh", "a bzip2 archive", "unpack it first"),
    (b"\xfd7zXZ\x00", "an xz archive", "unpack it first"),
    (b"\x28\xb5\x2f\xfd", "a zstd archive", "unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", "unpack it first"),
    (b"Rar!\x1a\x07", "a rar archive", "unpack it first"),
    (b"%PDF-", "a PDF document", "export the table as delimited text"),
    (b"\x89PNG\r\n\x1a\n", "a PNG picture", "export the table as delimited text"),
    (b"\xff\xd8\xff", "a JPEG picture", "export the table as delimited text"),
    (b"GIF8", "a GIF picture", "export the table as delimited text"),
    (b"SQLite format 3\x00", "an SQLite database", "export the table as delimited text"),
    (b"PAR1", "a Parquet file", "export the table as delimited text"),
    (b"\x89HDF\r\n\x1a\n", "an HDF5 file", "export the table as delimited text"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old spreadsheet or document", "save the sheet as delimited text"),
    (b"\x7fELF", "a program", "name the log file"),
    (b"MZ\x90\x00", "a program", "name the log file"),
    (b"ARROW1", "an Arrow file", "export the table as delimited text"),
    (b"\x93NUMPY", "a numpy array file", "export the table as delimited text"),
    (b"{\\rtf", "an RTF document", "save it as plain text"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Encoding:
    """How a file's bytes become text."""

    name: str
    """As reported."""
    codec: str
    """'' = UTF-8 line by line, cp1252 for the lines that are not; else the codec that the whole file is read with."""
    mark: int = 0
    """Length of the byte-order mark."""
    note: str = ""
    kind: str = "note"


@dataclass(frozen=True, slots=True)
class Identity:
    """What the file system says of a file; the same identity means that nothing has been written since."""

    size: int
    mtime_ns: int
    inode: int
    device: int


def refuse(file: str, what: str, mend: str, line: int | None = None, column: int | None = None) -> LogFault:
    """Return the refusal of a file; what concerns the file as a whole stands on its first line."""
    return LogFault(Fault(file, what, mend, line or 1, column))


def check_file(path: Path, file: str) -> Identity:
    """Return a file's identity. Raises LogFault unless it is a readable regular file with something in it."""
    try:
        status = os.stat(path)
    except FileNotFoundError:
        if path.is_symlink():
            raise refuse(file, "link that leads nowhere", "name the file itself") from None
        raise refuse(file, "no such file", "check the name and the folder") from None
    except NotADirectoryError:
        raise refuse(file, "no such file", "check the name and the folder") from None
    except (OSError, ValueError) as error:
        words = "link that leads back to itself" if getattr(error, "errno", None) == 40 else _system_words(error)
        raise refuse(file, words, "name the file itself") from None
    kind = _kind_of(status.st_mode)
    if kind:
        raise refuse(file, f"{kind}, not a regular file", "name a log file")
    if not os.access(path, os.R_OK):
        mode = stat.filemode(status.st_mode)
        raise refuse(file, f"may not be read by {_user()} (mode {mode})", "grant read permission")
    if status.st_size > 1 << 24 and getattr(status, "st_blocks", None) is not None:
        held = status.st_blocks * 512
        if held < status.st_size // 8:
            raise refuse(
                file, f"sparse file: {status.st_size} bytes long, {held} bytes stored", "copy the log again, whole"
            )
    return Identity(status.st_size, status.st_mtime_ns, status.st_ino, status.st_dev)


def _kind_of(mode: int) -> str:
    for test, words in (
        (stat.S_ISDIR, "a directory"), (stat.S_ISFIFO, "a named pipe"), (stat.S_ISCHR, "a character device"),
        (stat.S_ISBLK, "a block device"), (stat.S_ISSOCK, "a socket"),
    ):  # fmt: skip
        if test(mode):
            return words
    return "" if stat.S_ISREG(mode) else "a special file"


def _user() -> str:
    if hasattr(os, "getuid"):
        return f"user number {os.getuid()}"
    return "this user"


def _system_words(error: Exception) -> str:
    words = getattr(error, "strerror", None) or str(error)
    return f"cannot be opened ({words})"


def check_start(head: bytes, file: str, stated: str) -> None:
    """Raise LogFault when the first bytes are those of a known format that is no delimited text."""
    if not head:
        raise refuse(file, "empty file", "bring the log again; it holds no byte")
    for magic, words, mend in _MAGIC:
        if head.startswith(magic):
            raise refuse(file, f"{words}, not delimited text", mend, 1)
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        sheet = b"xl/" in head[:4096] or b"[Content_Types]" in head[:4096] or b"mimetype" in head[:64]
        words = "a spreadsheet (zip inside)" if sheet else "a zip archive"
        mend = "save the sheet as delimited text (CSV)" if sheet else "unpack it first"
        raise refuse(file, f"{words}, not delimited text", mend, 1)
    if not head.strip(b"\x00"):
        raise refuse(file, "nothing but zero bytes", "bring the log again; its content is lost")
    if stated:
        return
    text = head[:4096].lstrip(b"\xef\xbb\xbf \t\r\n")
    low = text[:512].lower()
    if low.startswith((b"<!doctype html", b"<html")) or (low.startswith(b"<") and b"<html" in low):
        raise refuse(
            file, f"looks like HTML ({_show(text)})", "save the table itself as delimited text, not the page", 1
        )
    if low.startswith((b"<?xml", b"<svg")) or re.match(rb"<[a-z][\w:.-]*[\s/>]", low):
        raise refuse(file, f"looks like XML ({_show(text)})", "export the table as delimited text", 1)
    if re.match(rb"[\[{]\s*(?:[\"'\[{\]}]|-?\d+(?:\.\d+)?\s*[,\]])", text) or re.match(rb"\{\s*u?'", text):
        if not re.match(rb"\[[^\]\n{}\"':,]{1,40}\]\s*\r?\n", text):
            raise refuse(file, f"looks like JSON ({_show(text)})", "export the table as delimited text", 1)


def _show(text: bytes) -> str:
    return escape(text.split(b"\n")[0].decode("latin-1").strip())


def find_encoding(head: bytes, whole: bool, file: str, stated: str) -> Encoding:
    """Return the encoding by the rule: stated, byte-order mark, zero pattern, else UTF-8 by line with cp1252 behind.

    Raises LogFault for encodings that are recognised but must be stated.
    """
    if stated:
        try:
            codec = codecs.lookup(stated).name
            codecs.getincrementaldecoder(codec)("replace").decode("a,1\n".encode(codec), True)
        except (LookupError, UnicodeError, TypeError, ValueError):
            raise refuse(file, f"unknown encoding ({escape(stated)})", "state one such as utf-8 or cp1252") from None
        if codec in ("utf-8", "ascii"):
            return Encoding(stated, "", 3 if head.startswith(codecs.BOM_UTF8) else 0)
        return Encoding(stated, codec, _mark_length(head, codec))
    if head.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        raise refuse(file, "looks like UTF-32 text", 'state encoding = "utf-32" or save it as UTF-8', 1)
    if head.startswith(codecs.BOM_UTF8):
        return Encoding("utf-8", "", 3, "byte-order mark (BOM) removed")
    for mark, codec in ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be")):
        if head.startswith(mark):
            return Encoding(codec, codec, 2, f"decoded from {codec.upper()} (byte-order mark found)", "repair")
    zeros = _zero_pattern(head)
    if zeros == "utf-32":
        raise refuse(file, "looks like UTF-32 text", 'state encoding = "utf-32" or save it as UTF-8', 1)
    if zeros:
        return Encoding(zeros, zeros, 0, f"decoded from {zeros.upper()} (every second byte is zero)", "repair")
    if _is_ebcdic(head):
        raise refuse(file, "looks like EBCDIC text", 'state the encoding, e.g. encoding = "cp037"', 1)
    guess = _multibyte_guess(head if whole else head[: head.rfind(b"\n") + 1] or head)
    if guess:
        mend = f'state the encoding, e.g. encoding = "{guess}", or save it as UTF-8'
        raise refuse(file, f"neither UTF-8 nor cp1252; looks like {guess}", mend, 1)
    return Encoding("utf-8", "")


def _mark_length(head: bytes, codec: str) -> int:
    marks = {"utf-16-le": codecs.BOM_UTF16_LE, "utf-16-be": codecs.BOM_UTF16_BE}
    mark = marks.get(codec)
    return len(mark) if mark and head.startswith(mark) else 0


def _zero_pattern(head: bytes) -> str:
    """Return the wide encoding that the places of zero bytes show, '' if none."""
    part = head[: min(len(head), 4096) // 4 * 4]
    if len(part) < 8 or b"\x00" not in part:
        return ""
    zeros = [part[i::4].count(0) / (len(part) // 4) for i in range(4)]
    if sum(share > 0.95 for share in zeros) == 3:
        return "utf-32"
    even, odd = (zeros[0] + zeros[2]) / 2, (zeros[1] + zeros[3]) / 2
    if odd > 0.7 and even < 0.05:
        return "utf-16-le"
    if even > 0.7 and odd < 0.05:
        return "utf-16-be"
    return ""


def _is_ebcdic(head: bytes) -> bool:
    part = head[:4096]
    if b"\n" in part or b"\r" in part.replace(b"\r%", b"") or len(part) < 16:
        return False
    digits = sum(0xF0 <= byte <= 0xF9 for byte in part)
    ascii_digits = sum(0x30 <= byte <= 0x39 for byte in part)
    return digits > 0.15 * len(part) and ascii_digits < 0.02 * len(part)


def _multibyte_guess(head: bytes) -> str:
    """Return a multi-byte encoding that a text shows which is neither UTF-8 nor cp1252, '' if none."""
    if head.isascii():
        return ""
    # Lines that are UTF-8 say nothing; bad bytes in a line of digits are damage, not an encoding.
    odd = [
        line
        for line in head.split(b"\n")
        if not line.isascii() and not is_utf8(line) and 4 * sum(48 <= byte <= 57 for byte in line) < len(line)
    ]
    high = b"\n".join(odd)
    runs = re.findall(rb"[\x80-\xff][\x40-\x7e\x80-\xfe]?[\x80-\xff]*", high)
    typographic = frozenset(b"\x80\x82\x84\x85\x8b\x91\x92\x93\x94\x95\x96\x97\x99\x9b\xa0\xb0\xb5\xb2\xb3\xb1")
    control = sum(0x80 <= byte <= 0x9F and byte not in typographic for byte in high)
    total = sum(byte >= 0x80 for byte in high)
    paired = sum(len(run) for run in re.findall(rb"[\x80-\xff]{2,}", high))
    if total < 4 or not runs or (control < 0.25 * total and paired < 0.6 * total):
        return ""
    for codec in ("shift_jis", "euc_jp", "gb18030", "big5", "euc_kr"):
        try:
            high.decode(codec)
        except UnicodeDecodeError:
            continue
        return codec
    return ""


def is_utf8(data: bytes) -> bool:
    """Return True when the bytes are strict UTF-8."""
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def decode_line(data: bytes) -> tuple[str, bool]:
    """Return a line's text and whether it had to be read as cp1252; bytes without meaning there become U+FFFD."""
    try:
        return data.decode("utf-8"), False
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), True


class Source:
    """One log file, read once from start to end in blocks of whole lines, hashed on the way.

    Blocks are lines in UTF-8 (cp1252 for single lines) that end with a line feed, between two runs of PAD zero bytes.
    After the last block `dropped_tail` holds the last line when it had no line end, and `padding` the number of zero
    bytes after it.
    """

    def __init__(self, path: Path, file: str, stated_encoding: str = "", hashing: bool = True):
        self.path, self.file = path, file
        self.identity = check_file(path, file)
        self.dropped_tail = b""
        self.padding = 0
        self.sha256 = ""
        self.read_size = 0
        self.grown = False
        self.changed = ""
        """What happened to the file while it was read, '' = nothing."""
        self.line_ends = "\n"
        with self._open() as stream:
            head = self._take(stream, HEAD)
        if self.identity.size == 0 and head:
            # A pseudo-file of the system: its length is known only after reading.
            self.identity = Identity(len(head), self.identity.mtime_ns, self.identity.inode, self.identity.device)
            hashing = True
        check_start(head, file, stated_encoding)
        self.whole_head = len(head) < HEAD
        self.encoding = find_encoding(head, self.whole_head, file, stated_encoding)
        self._hash = hashlib.sha256() if hashing else None
        self.head = self._transcoded_head(head)
        if self.encoding.codec and self.head:
            # Two bytes a character hide what a text is.
            check_start(self.head, file, stated_encoding)
        self._check_head()

    def _open(self):
        try:
            return open(self.path, "rb", buffering=0)
        except OSError as error:
            raise refuse(self.file, _system_words(error), "grant read permission, or copy the log") from None

    def _take(self, stream, size: int) -> bytes:
        """Return the next `size` bytes of the file, fewer at its end only. Raises LogFault when they cannot be had."""
        try:
            data = stream.read(size)
            # A file far away may come a few bytes at a time.
            while data and len(data) < size and (more := stream.read(size - len(data))):
                data += more
            return data
        except OSError as error:
            what = f"cannot be read beyond byte {self.read_size} ({error.strerror or error})"
            raise refuse(self.file, what, "copy the log to a sound disk and read it there", 1) from None

    def _transcoded_head(self, head: bytes) -> bytes:
        data = head[self.encoding.mark :]
        if self.encoding.codec:
            data = self._decoded(self._decoder(), data, self.whole_head)
        data = data.rstrip(b"\x00") if self.whole_head else data
        if b"\n" not in data and b"\r" in data.rstrip(b"\r") + b"":
            self.line_ends = "\r"
            data = data.replace(b"\r", b"\n")
        elif b"\r\n" in data:
            self.line_ends = "\r\n"
        return data

    def _decoder(self) -> codecs.IncrementalDecoder:
        return codecs.getincrementaldecoder(self.encoding.codec)("replace")

    def _decoded(self, decoder: codecs.IncrementalDecoder, data: bytes, final: bool) -> bytes:
        """Return bytes of the file as UTF-8. Raises LogFault when they are not in the stated encoding."""
        try:
            return decoder.decode(data, final).encode("utf-8", "replace")
        except UnicodeError as error:
            what = f"not text in {escape(self.encoding.name)} ({error})"
            raise refuse(self.file, escape(what, 200), "state another encoding") from None

    def _check_head(self) -> None:
        end = self.head.rfind(b"\n")
        if end < 0 and len(self.head) >= HEAD - 4:
            with self._open() as stream:
                length = len(self._take(stream, MAX_LINE + 1).split(b"\n")[0])
            if length > MAX_LINE:
                words = f"line longer than {MAX_LINE} bytes"
                raise refuse(self.file, words, "check that it is a log with one record a line", 1)

    def blocks(self) -> Iterator[bytes]:
        """Yield the file in blocks of whole lines; hash it in a thread beside.

        Raises LogFault for a line longer than the limit.
        """
        hasher = _Hasher(self._hash) if self._hash is not None else None
        try:
            yield from self._blocks(hasher)
        finally:
            if hasher is not None:
                hasher.close()
        if hasher is not None:
            self.sha256 = self._hash.hexdigest()
        self._check_end()

    def _blocks(self, hasher: _Hasher | None) -> Iterator[bytes]:
        decoder = self._decoder() if self.encoding.codec else None
        rest, zeros, skip = b"", 0, self.encoding.mark
        with self._open() as stream:
            while True:
                left = self.identity.size - self.read_size
                raw = self._take(stream, min(BLOCK, left)) if left > 0 else b""
                self.read_size += len(raw)
                if hasher is not None and raw:
                    hasher.feed(raw)
                data = raw[skip:] if skip else raw
                skip = 0
                if decoder is not None:
                    data = self._decoded(decoder, data, not raw)
                if raw and not data:
                    continue
                if data.endswith(b"\x00") or zeros:
                    data, zeros = self._hold_zeros(data, zeros)
                    if raw and not data:
                        continue
                if self.line_ends == "\r" and data:
                    data = data.replace(b"\r", b"\n")
                if not raw:
                    break
                end = data.rfind(b"\n") + 1
                if not end:
                    rest += data
                    if len(rest) > MAX_LINE:
                        words = f"line longer than {MAX_LINE} bytes"
                        mend = "check that it is a log with one record a line"
                        raise refuse(self.file, words, mend, self._count_lines(self.read_size - len(rest)) + 1)
                    continue
                yield b"".join((PADDING, rest, memoryview(data)[:end], PADDING))
                rest = data[end:]
        if rest and self.line_ends == "\r" and rest.endswith(b"\r"):
            rest = rest[:-1]
        self.padding = zeros
        self.dropped_tail = rest

    def _count_lines(self, size: int) -> int:
        """Return how many lines end in the first `size` bytes of the file."""
        count = 0
        with self._open() as stream:
            while size > 0 and (raw := self._take(stream, min(BLOCK, size))):
                size -= len(raw)
                count += raw.count(b"\r" if self.line_ends == "\r" else b"\n")
        return count

    @staticmethod
    def _hold_zeros(data: bytes, zeros: int) -> tuple[bytes, int]:
        """Keep trailing zero bytes back until something follows them."""
        body = data.rstrip(b"\x00")
        if not body:
            return b"", zeros + len(data)
        return b"\x00" * zeros + body, len(data) - len(body)

    def _check_end(self) -> None:
        """Find out whether the file is still the one that was opened."""
        try:
            status = os.stat(self.path)
        except OSError:
            self.changed = "vanished"
            return
        if self.read_size < self.identity.size:
            self.changed = f"shrank to {self.read_size} of {self.identity.size} bytes"
        elif (status.st_ino, status.st_dev) != (self.identity.inode, self.identity.device):
            self.changed = "was replaced"
        elif status.st_size > self.read_size and status.st_size != 0:
            self.grown = True
        elif status.st_mtime_ns != self.identity.mtime_ns and status.st_size != 0:
            self.changed = "was written to"


class _Hasher:
    """Feeds blocks to a hash in a thread: hashing releases the interpreter lock."""

    def __init__(self, digest):
        self._digest = digest
        self._queue: queue.Queue[bytes | None] = queue.Queue(maxsize=8)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def feed(self, data: bytes) -> None:
        self._queue.put(data)

    def close(self) -> None:
        if self._thread.is_alive():
            self._queue.put(None)
            self._thread.join()

    def _run(self) -> None:
        while True:
            data = self._queue.get()
            if data is None:
                return
            self._digest.update(data)
