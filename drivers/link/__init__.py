"""The wire between host and brick, without any I/O: bytes in, messages out, and back. LINK.md is its document."""
