"""An actuator as software: what it does with each frame, its settings and its memory."""
