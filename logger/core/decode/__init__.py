"""Sans-IO decoders: bytes in, Readings and Garbage out, no socket in sight. One wire dialect a file."""
