"""The one error that reaches a person."""


class BrimfulError(Exception):
    """Something that a person can mend, with what they need to know to mend it.

    op: what the program was doing ("read the home file"); subject: the key, file or address it was doing it to;
    cause: what was expected and what was found; hint: what to try, or "".
    """

    def __init__(self, op: str, subject: str, cause: str, hint: str = "") -> None:
        super().__init__(op, subject, cause, hint)
        self.op = op
        self.subject = subject
        self.cause = cause
        self.hint = hint

    def __str__(self) -> str:
        text = f"{self.subject}: {self.cause}"
        return f"{text}; {self.hint}" if self.hint else text
