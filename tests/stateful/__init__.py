"""Random walks of a whole bus against a plain model of it."""
