"""Reading the spreadsheets and calendars that people bring along: pure parsing and checking.

Nothing here touches the database. A reader surveys its file once (`report`), then gives its rows
in file order with their numbers, in bounded memory, from any row on, so that staging can be filled
in batches and resumed. Nothing is guessed silently: what was decided is in the report, what could
not be decided refuses the file or the row, and says what to do.
"""
