"""The form and the report at home, from one program: see :mod:`.site` and :mod:`.server`.

``site`` says what is answered and knows nothing of sockets; ``server`` knows nothing of tanks.
Every request needs a cookie, which a code from the terminal buys once.
"""
