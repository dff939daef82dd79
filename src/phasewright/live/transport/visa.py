"""Links over VISA (HiSLIP, VXI-11, USBTMC, GPIB), with the optional extra ``visa`` (pyvisa and pyvisa-py)."""

from __future__ import annotations

from typing import Any

from phasewright.live.clock import Clock
from phasewright.live.encoding.answers import block_length
from phasewright.live.transport.link import Answer, Link, LinkLost


class VisaLink(Link):
    """``visa:RESOURCE``; the library frames messages, so that a late answer is cleared with the device."""

    def __init__(self, address: str, clock: Clock, timeout: float):
        super().__init__(address, clock, timeout)
        self._resource: Any = None
        self._manager: Any = None

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
            sent = self.clock.monotonic_ns()
            self._resource.write_raw(question.encode("ascii") + b"\n")
            data = bytes(self._resource.read_raw())
            now = self.clock.monotonic_ns()
            if len(data) > self.most:
                raise ValueError(f"an answer of more than {self.most} bytes")
            if data[:1] == b"#":
                head, length = block_length(data, self.most)
                if not head or len(data) < head + length:
                    raise ValueError("a block that was cut")
                return Answer(data[head : head + length], sent, now, now)
            if not data.endswith(b"\n"):
                raise ValueError("an answer without its end")
            return Answer(data.rstrip(b"\r\n"), sent, now, now)
        except Exception as error:
            self.close()
            raise LinkLost(f"{type(error).__name__}: {str(error)[:200]}") from None
