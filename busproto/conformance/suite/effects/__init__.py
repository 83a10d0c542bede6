"""Effects on the arm, and every field of every report and reply."""
