"""Files as no one should hand them in, made by code, with the sentence that each gives.

``python -m tests.bad_inputs`` makes the whole corpus, puts every file to the part of the program
that reads its kind, and writes the sentences to ``SENTENCES.md``;
``python -m tests.bad_inputs --mutate gpkg --count 3000`` spoils good files at random instead.
"""
