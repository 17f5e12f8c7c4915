"""`python -m app assess FOLDER...`: from plain tables to a verdict, without a database.

Reading guide, in the order of the work: `tables` (a CSV file to lines with numbers), `places` (where a key of a TOML
file stands), `settings_file` (question.toml to a rule), `rows` (lines to typed rows), `clocks` (when each run started),
`folder` (all of it, checked, to `Evidence` of a set of sessions), `answer` (a sheet to one JSON object), `printing` (the
same object as words), `cli`. Whatever makes no sense is a `FolderRefused` that names file, line and column.
"""
