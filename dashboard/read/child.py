"""A tailgrain command in a process of its own, asked by the page.

Half a day of seconds costs tens of MB and seconds of work. A child keeps both out of the server: the page's figures go on
without a hitch, what it took goes back when it ends, and it can be ended when it takes too long.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys

from edge.contract.errors import StoreError, WrongInput

LOW_PRIORITY = 15
LARGEST_LINE = 1_000_000
WRONG_INPUT = 2
"""Exit status of a command that was asked wrongly; its last line says what and why."""


async def run(*arguments: str, limit_s: float, what: str) -> bytes:
    """Its standard output. `what` names the work in a refusal. Raises WrongInput on status 2, else StoreError."""
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "edge", *arguments, stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, limit=LARGEST_LINE,
    )  # fmt: skip
    with contextlib.suppress(OSError):  # it may have ended already
        os.setpriority(os.PRIO_PROCESS, child.pid, LOW_PRIORITY)
    try:
        async with asyncio.timeout(limit_s):
            out, fault = await child.communicate()
    except TimeoutError:
        raise StoreError(f"{what} took over {limit_s:.0f} s and was stopped") from None
    finally:
        if child.returncode is None:
            child.kill()
            await child.wait()
    if child.returncode:
        lines = fault.decode(errors="replace").strip().splitlines()
        why = lines[-1][:300] if lines else f"{what} ended with status {child.returncode}"
        raise WrongInput(why) if child.returncode == WRONG_INPUT else StoreError(why)
    return out
