"""What may stand in the files: a model for each table, its descriptions what an editor shows beside the key.

``values`` has what all of them are made of, ``keys`` finds a table or the meaning of a key in them. Nothing here reads.
"""
