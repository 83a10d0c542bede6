"""What is made from the definitions of the format for other tools: C, a dissector in Lua, a decoder in Python.

What does not depend on the definitions stands in `texts/`, in the language itself; a line of it that is nothing but
a comment with a name between @ signs is replaced by what is generated. `reference` is construct itself as the judge of
the codec.
"""
