"""Small programs on the public interface, to read and to begin from."""
