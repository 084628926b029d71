"""Sending a simulation out: into a capture, to a pseudo terminal (pty) or to a TCP client; no byte is lost.

A feed runs once, in its own thread after `start()` or in the caller's with `run()`. `pace` is a multiple of real time,
or "max" for as fast as the reader reads. This module is the door; each kind has a module of its own.
"""

from sim_feed.sending.feed import Feed, OnEntry, Pace
from sim_feed.sending.pty_feed import PtyFeed
from sim_feed.sending.recording import write_capture
from sim_feed.sending.tcp_feed import TcpFeed

__all__ = ["Feed", "OnEntry", "Pace", "PtyFeed", "TcpFeed", "write_capture"]
