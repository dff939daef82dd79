"""The recorder's PMBus driver and smbus2 in a process that knows nothing of a stand-in: the system calls are answered behind the
C library, so that open, ioctl and errno are the real ones. Needs a C compiler; without one it says so and judges nothing.

tests/live/test_smbus_requests.py reads the same requests without one.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import textwrap
from pathlib import Path

SHIM = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/i2c-dev.h>
#include <linux/i2c.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <sys/ioctl.h>
/* One adapter, /dev/i2c-7, and one device at 0x40. What fails stands in the file that BUS_FAULT names: an errno, 0 = none.
   Every request is a line of the file that BUS_LOG names. */
static int handle = -1; static unsigned long chosen; static int pec;
static int fault(void) {
  int code = 0; FILE *f = fopen(getenv("BUS_FAULT"), "r");
  if (f) { if (fscanf(f, "%d", &code) != 1) code = 0; fclose(f); }
  return code;
}
static void tell(const char *what, unsigned a, unsigned b, unsigned c) {
  FILE *f = fopen(getenv("BUS_LOG"), "a");
  if (f) { fprintf(f, "%s %u %u %u %lu %d\n", what, a, b, c, chosen, pec); fclose(f); }
}
static int opened(const char *path, int flags, mode_t mode, const char *name) {
  int (*next)(const char *, int, ...) = dlsym(RTLD_NEXT, name);
  if (strcmp(path, "/dev/i2c-7")) return next(path, flags, mode);
  if (fault() == ENODEV) { errno = ENOENT; return -1; }
  handle = next("/dev/null", O_RDWR | O_CLOEXEC, 0); tell("open", flags & O_ACCMODE, 0, 0);
  return handle;
}
int open(const char *path, int flags, ...) {
  va_list more; va_start(more, flags); mode_t mode = va_arg(more, mode_t); va_end(more);
  return opened(path, flags, mode, "open");
}
int open64(const char *path, int flags, ...) {
  va_list more; va_start(more, flags); mode_t mode = va_arg(more, mode_t); va_end(more);
  return opened(path, flags, mode, "open64");
}
int ioctl(int fd, unsigned long request, ...) {
  va_list more; va_start(more, request); void *argument = va_arg(more, void *); va_end(more);
  int (*next)(int, unsigned long, ...) = dlsym(RTLD_NEXT, "ioctl");
  if (fd != handle || fd < 0) return next(fd, request, argument);
  request &= 0xffffffffUL;
  if (request == I2C_FUNCS) {
    *(unsigned long *)argument = I2C_FUNC_SMBUS_PEC | I2C_FUNC_SMBUS_BYTE_DATA | I2C_FUNC_SMBUS_WORD_DATA; return 0;
  }
  if (request == I2C_SLAVE) { chosen = (unsigned long)argument; return 0; }
  if (request == I2C_PEC) { pec = (int)(long)argument; return 0; }
  if (request != I2C_SMBUS) { tell("other", request, 0, 0); errno = ENOTTY; return -1; }
  struct i2c_smbus_ioctl_data *given = argument;
  tell(given->read_write == I2C_SMBUS_READ ? "read" : "write", given->command, given->size, 0);
  int code = chosen == 0x40 ? fault() : ENXIO;
  if (code) { errno = code; return -1; }
  if (given->read_write == I2C_SMBUS_WRITE) return 0;
  if (given->size == I2C_SMBUS_BYTE_DATA) given->data->byte = given->command == 0x20 ? 0x17 : 0xff;
  else given->data->word = given->command == 0x8c ? IOUT : given->command == 0x8b ? VOUT : 0xffff;
  return 0;
}
"""
READER = textwrap.dedent("""
    import errno, sys
    from pathlib import Path
    from phasewright.bench import Connection, Instrument, ReadingSource
    from phasewright.live import MovedClock, Surroundings
    from phasewright.live.instruments.pmbus import PmbusDriver
    asked = {"rail_current": "READ_IOUT", "rail_voltage": "READ_VOUT"}
    reading = {channel: ReadingSource(channel, ask) for channel, ask in asked.items()}
    item = Instrument("x", connection=Connection("pmbus", "i2c:7:0x40"), reading=reading)
    driver = PmbusDriver(item, Surroundings(MovedClock()))
    driver.open()
    for code in (0, *(getattr(errno, name) for name in sys.argv[2:]), 0):
        Path(sys.argv[1]).write_text(str(code))
        found = [driver.read().readings for _ in range(2)][1]
        print(code, *(item.value if item.value is not None else repr(item.flag) for item in found), sep="|", flush=True)
    driver.close()
""")
CODES = ("ENXIO", "EREMOTEIO", "EAGAIN", "EBADMSG", "EBUSY", "EPROTO", "ETIMEDOUT", "EIO", "EACCES", "ENODEV", "EINVAL")


def main() -> int:
    """Compile, run, compare."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None or not sys.platform.startswith("linux"):
        print("PMBus behind the C library: not judged, for there is no C compiler, or no Linux, here")
        return 0
    from phasewright.live.encoding.pmbus_words import to_linear11, to_ulinear16

    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        (place / "bus.c").write_text(SHIM)
        words = [f"-DIOUT={to_linear11(90.0)}", f"-DVOUT={to_ulinear16(1.2, -9)}"]
        subprocess.run([compiler, "-shared", "-fPIC", *words, "-o", "bus.so", "bus.c", "-ldl"], cwd=place, check=True)
        said = subprocess.run(
            [sys.executable, "-c", READER, str(place / "fault"), *CODES], capture_output=True, text=True,
            env={**os.environ, "LD_PRELOAD": str(place / "bus.so"), "BUS_FAULT": str(place / "fault"),
                 "BUS_LOG": str(place / "log")})  # fmt: skip
        print(said.stderr, end="", file=sys.stderr)
        rows = [line.split("|") for line in said.stdout.splitlines()]
        requests = [line.split() for line in (place / "log").read_text().splitlines()]
    right = [row[1:] for row in rows if row[0] == "0"]
    hurt = [row for row in rows if row[0] != "0"]
    invented = sum(not cell.startswith(("'", '"')) for row in hurt for cell in row[1:])
    made = {(what, command, size) for what, command, size, *_ in requests if what != "open"}
    good = (right == [["90.0", "1.19921875"]] * 2 and len(hurt) == len(CODES) and not invented
            and made == {("read", "140", "3"), ("read", "139", "3"), ("read", "32", "2")}
            and all(item[-1] == "1" for item in requests if item[0] == "read"))  # fmt: skip
    written = sum(what == "write" for what, *_ in made)
    print(f"{'PMBus behind the C library':<34} {'met   ' if good else 'MISSED'}  {len(requests)} requests of {len(made)} kinds, "
          f"{len(hurt)} errors of the kernel: {invented} values invented, {written} kinds of writes")
    if not good:
        print("\n".join("|".join(row) for row in rows), sorted(made), sep="\n")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
