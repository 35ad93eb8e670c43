"""The running daemon: the one loop that owns all state, the service around it, its watchdog and its answers.

Events come in; orders, rows and answers go out. It is the only room in which live parts are started.

`parts` puts the house together and starts nothing; `controller` decides, orders and writes; `loop` hands it one event
after the other; `service` starts and ends it all. What is done, and what can be asked, is listed by name in `listed`.

How to add a job: write its module, with a class that is given what it needs of `Parts` and a method that takes the
present `Moment`. Add its line to `listed.jobs`: `Job("name", thing.method, every(60))`, or
no time at all where it is asked for by `Due("name")`. It runs on the loop's thread, so it must be quick: what takes
long goes to a thread of its own, which puts `Due("name")` into the queue when it has finished (`recording.backups`
does that). What is to happen after each change of an order or an alarm is given to `Controller.when_changed`; what is
to be said at each connect to the broker, to `Connections.when_up`.

How to add a command: write a module in `handlers`, with a frozen dataclass for the wish, a function that reads it from
the request's JSON (raising BrimfulError that names what does not fit) and a method that takes the wish and the present
`Moment` and returns the JSON answer. Add its line to `listed.commands`: `Command("name", read_wish, thing.do)`, or
`question("name", thing.answer)` where there are no arguments. Its path goes into `daemon.web.site.application`.

A name that is listed twice, or asked for by a path and not listed, is an error when the daemon is put together.
"""
