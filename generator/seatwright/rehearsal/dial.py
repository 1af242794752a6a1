"""Connect to a host of a fleet and hand the connection to ssh (ProxyUseFdpass, ssh_config(5)).

Started by ssh inside the fleet's network namespace; when it ends, ssh has the socket and no
process stands between them.  Standard library only: it starts once per connection.
"""

import socket
import sys


def main() -> None:
    """``dial.py ADDRESS PORT``, standard output being the socket that ssh listens on."""
    connection = socket.create_connection((sys.argv[1], int(sys.argv[2])), timeout=10)
    connection.settimeout(None)
    with socket.socket(fileno=1) as ssh:
        socket.send_fds(ssh, [b"\0"], [connection.fileno()])


if __name__ == "__main__":
    main()
