"""Port handlers that pyserial finds by URL scheme; importing `sim` registers this package."""
