"""Getting to know a broker before there is a home file, and asking for help with one.

Messages come in (`survey`); guesses with their reasons and doubts go out (`vocabulary`, `members`, `behaviour`,
`suggest`), corrected by what must hold at every instant (`balance`) and by a kettle (`kettle`); a home file is begun
from them (`draft`), or one is changed by choice (`choosing`). `listen` alone opens a connection; nothing here orders a
heater. `help_report` is one file without secrets.
"""
