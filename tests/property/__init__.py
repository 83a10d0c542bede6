"""What must hold for any bytes and any message, drawn by hypothesis."""
