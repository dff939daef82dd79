"""Links over VISA (HiSLIP, VXI-11, USBTMC, GPIB), with the optional extra ``visa`` (pyvisa and pyvisa-py)."""

from __future__ import annotations

import warnings
from typing import Any

from phasewright.live.clock import Clock
from phasewright.live.encoding.answers import block_length
from phasewright.live.transport.link import Answer, Link, LinkLost

STRAY_MS = 1
"""[ms] A stream is looked at for so long before each question."""


class VisaLink(Link):
    """``visa:RESOURCE``. HiSLIP, VXI-11, USBTMC and GPIB frame messages, so that a late answer is cleared with the device;
    sockets and serial lines do not, so that before each question they are looked at for bytes that nobody asked for."""

    def __init__(self, address: str, clock: Clock, timeout: float):
        super().__init__(address, clock, timeout)
        self._resource: Any = None
        self._manager: Any = None
        self._stream = address.upper().endswith("::SOCKET") or address.upper().startswith("ASRL")

    @property
    def is_open(self) -> bool:
        """Whether it can be asked."""
        return self._resource is not None

    def open(self) -> None:
        """See `Link`."""
        self.close()
        try:
            import pyvisa
        except ImportError:
            raise LinkLost("VISA needs pyvisa: pip install phasewright[visa]") from None
        # A library that asserts or raises anything of its own must not end the recording.
        try:
            self._manager = self._manager or pyvisa.ResourceManager()
            resource = self._manager.open_resource(self.address, open_timeout=round(self.timeout * 1000))
            resource.timeout = round(self.timeout * 1000)
            if self._stream:
                resource.read_termination = "\n"
            self._resource = resource
        except Exception as error:
            raise LinkLost(f"cannot open {self.address} ({type(error).__name__}: {str(error)[:200]})") from None

    def close(self) -> None:
        """See `Link`."""
        resource, self._resource = self._resource, None
        if resource is not None:
            try:
                resource.close()
            except Exception:
                return  # gone already; a library's own complaint helps nobody here

    def ask(self, question: str) -> Answer:
        """See `Link`."""
        if self._resource is None:
            raise LinkLost("not connected")
        try:
            if self._stream and (stray := self._stray()):
                raise ValueError(f"{stray} bytes came that nobody asked for: answers may be shifted")
            sent = self.clock.monotonic_ns()
            self._resource.write_raw(question.encode("ascii") + b"\n")
            data = bytes(self._resource.read_raw())
            now = self.clock.monotonic_ns()
            if len(data) > self.most:
                raise ValueError(f"an answer of more than {self.most} bytes")
            if data[:1] == b"#":
                head, length = block_length(data, self.most)
                while self._stream and head and len(data) < head + length + 1:
                    data += bytes(self._resource.read_raw())  # a stream ends a reading at every byte that looks like an end
                if not head or len(data) < head + length:
                    raise ValueError("a block that was cut")
                return Answer(data[head : head + length], sent, now, now)
            if not data.endswith(b"\n"):
                raise ValueError("an answer without its end")
            return Answer(data.rstrip(b"\r\n"), sent, now, now)
        except Exception as error:
            self.close()
            raise LinkLost(f"{type(error).__name__}: {str(error)[:200]}") from None

    def _stray(self) -> int:
        """Return how many bytes are waiting."""
        resource = self._resource
        resource.timeout = STRAY_MS
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                return len(resource.visalib.read(resource.session, 4096)[0])
        except Exception as error:
            if "TMO" not in str(error):
                raise
            return 0  # silence, as it should be
        finally:
            resource.timeout = round(self.timeout * 1000)
