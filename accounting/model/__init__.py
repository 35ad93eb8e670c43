"""What bookkeeping is about: entries, postings, the journal, the periods of a statement, and exact shares of a whole.

Integers and UTC seconds come in and go out. No price, no database and no meter is known here.
"""
