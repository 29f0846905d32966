"""The live page and the HTTP API behind it. asyncio lives here alone."""
