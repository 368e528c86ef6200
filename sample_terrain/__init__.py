"""A road in an invented valley whose true shape is known, and the files made from it."""
