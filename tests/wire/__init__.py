"""The wire format against published values, second libraries, and its own definition read by construct."""
