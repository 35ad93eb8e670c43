"""What every request passes: connections and their bounds, security, logins, wishes to the loop, and what is known
now.

Requests come in; the house as it is now and the ledger, read-only, go out to the API and the page. No answer is
worded here.
"""
