"""Starting the dashboard: for this machine only, unless somebody says in so many words that others may."""

import ipaddress
import os
import sys
from collections.abc import Sequence
from pathlib import Path

PROJECT = Path(__file__).parent.parent
OWN_ADDRESS = "127.0.0.1"


def exposure(address: str) -> str:
    """What listening on an address opens to other machines, in words; '' for this machine's own.

    ValueError if it is no address.
    """
    if address == "localhost":
        return ""
    try:
        own = ipaddress.ip_address(_bare(address)).is_loopback
    except ValueError as error:
        raise ValueError(f"{address!r} is no address: give one such as 127.0.0.1 or ::1.") from error
    if own:
        return ""
    return (
        f"Other machines may reach {address}, and there is no sign-in: "
        "whoever does can read and change the whole fleet."
    )


def url(address: str, port: int) -> str:
    """Where a browser finds the dashboard."""
    return f"http://[{_bare(address)}]:{port}" if ":" in address else f"http://{address}:{port}"


def _bare(address: str) -> str:
    return address.strip("[]")


def serve(folder: Path | str, port: int, address: str = OWN_ADDRESS, hosts: Sequence[str] = ()) -> None:
    """Become the server of a fleet's dashboard: this process goes on as that one, and never returns here."""
    named = [word for host in hosts for word in ("--host", host)]
    call = ["-m", "dashboard.server", "--port", str(port), "--listen", _bare(address), *named]
    os.environ["COLDFILL_FLEET"] = str(Path(folder).resolve())
    # Modules are first looked for where the process stands: here, and not among a person's own files.
    os.chdir(PROJECT)
    os.execv(sys.executable, [sys.executable, *call])
