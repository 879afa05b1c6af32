"""Install what the tests need from Debian's packages if it is not there: a browser, a font, strace."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

NEEDED = {"chromium": "chromium", "strace": "strace"}


def main() -> int:
    missing = [package for command, package in NEEDED.items() if shutil.which(command) is None]
    if not missing:
        return 0
    if shutil.which("apt-get") is None:
        print(f"The tests need these commands: {', '.join(NEEDED)}. Install them and run again.")
        return 1
    sudo = [] if os.geteuid() == 0 else ["sudo"]
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    quiet = [*sudo, "apt-get", "-qq"]
    subprocess.run([*quiet, "update"], check=True, env=environment)
    subprocess.run(
        [*quiet, "install", "-y", "--no-install-recommends", *missing, "fonts-dejavu-core"],
        check=True,
        env=environment,
        stdout=subprocess.DEVNULL,
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
