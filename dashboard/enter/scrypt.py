"""The PIN's hash, scrypt (RFC 7914); run as a file it is a process of its own, PIN on standard input, salt as argument.

It needs 16 MiB for a moment. In a thread of the server the allocator keeps them for that thread: a few tries cost the board
a hundred MB for good, while all that a process took goes back when it ends. Little is imported, so that it starts soon, and
nothing of the project: as a file it stands alone.
"""

import hashlib
import sys

COST, BLOCK, PARALLEL = 2**14, 8, 1
"""About 50 ms on a desk, some hundreds on a board."""

MOST_MEMORY = 64 * 2**20


def digest(pin: bytes, salt: bytes) -> bytes:
    """The hash of a PIN."""
    return hashlib.scrypt(pin, salt=salt, n=COST, r=BLOCK, p=PARALLEL, maxmem=MOST_MEMORY)


if __name__ == "__main__":
    sys.stdout.buffer.write(digest(sys.stdin.buffer.read(), bytes.fromhex(sys.argv[1])))
