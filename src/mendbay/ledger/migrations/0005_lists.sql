-- What lists of many cases ask for: whether a note was withdrawn, and what is reserved, without reading all there is.

CREATE INDEX notes_withdrawn ON notes (subject) WHERE kind = 'withdrawal';

CREATE INDEX stock_reserved ON stock (case_number) WHERE state = 'reserved';
