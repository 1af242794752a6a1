"""The programs that run on the seat: the session that people see, and the keeper of its files.

They run under Debian's own ``/usr/bin/python3`` with the standard library; the session also uses
python3-gi with gir1.2-spiceclientgtk-3.0.  Of the rest of seatwright only ``usb/device.py``,
``usb/filter.py`` and ``usb/portpath.py`` are there.  Whoever installs them counts on this:

Files
    ``/usr/lib/seatwright/seatwright/``      package: ``__init__``, ``usb/{__init__,device,filter,
                                             portpath}``, ``client/*`` (mode 0644)
    ``/usr/lib/seatwright/seat-session``     entry script, from ``client/entry/`` (mode 0755)
    ``/usr/lib/seatwright/seat-keeper``      entry script, from ``client/entry/`` (mode 0755)
    ``/usr/lib/seatwright/seat-usb-access``  entry script, from ``client/entry/`` (mode 0755)
    ``/etc/seatwright/{session,rules}.json`` see :mod:`seatwright.client.config`
    ``/etc/seatwright/session.env``          optional, ``NAME=value`` lines for the unit
    ``/var/lib/seatwright/files/LIST.json``  manifests, see :mod:`seatwright.client.manifest`

``seatwright-session.service``::

    [Unit]
    Description=Session of this seat
    Wants=seatd.service
    After=seatd.service systemd-user-sessions.service
    OnFailure=seatwright-fallback.service
    StartLimitIntervalSec=180
    StartLimitBurst=3
    [Service]
    Type=notify
    NotifyAccess=all                    # cage is the main process, its child says READY=1
    User=seat                           # supplementary: video, render, audio; seatd's socket
    RuntimeDirectory=seatwright-seat    # not /run/seatwright: the keeper makes that one
    RuntimeDirectoryMode=0700
    Environment=XDG_RUNTIME_DIR=/run/seatwright-seat
    Environment=LIBSEAT_BACKEND=seatd SPICE_USB_ACL_BINARY=/usr/lib/seatwright/seat-usb-access
    EnvironmentFile=-/etc/seatwright/session.env
    LoadCredential=guest-password:...   # where a password is used
    ExecStartPre=+/usr/lib/seatwright/seat-keeper started
    ExecStart=/usr/bin/cage -- /usr/lib/seatwright/seat-session
    ExecStartPost=+/usr/lib/seatwright/seat-keeper keep     # 5 s: up means that it stays up
    ExecStop=/usr/lib/seatwright/seat-keeper stop           # cage aborts when it gets SIGTERM
    SuccessExitStatus=SIGABRT
    Restart=always
    RestartSec=2
    TimeoutStartSec=40
    TimeoutStopSec=15
    [Install]
    WantedBy=multi-user.target

A seat without a display (a test host) has ``WLR_BACKENDS=headless``, ``WLR_RENDERER=pixman`` and
``WLR_LIBINPUT_NO_DEVICES=1`` in ``session.env``; it then needs no seatd.

``seatwright-fallback.service`` (started by OnFailure only)::

    [Service]
    Type=oneshot
    ExecStart=/usr/lib/seatwright/seat-keeper fall-back

``seatwright-restart.service`` and ``seatwright-restart.timer`` (neither enabled: the keeper starts
the timer when a restart has to wait, and stops it afterwards)::

    [Service]
    Type=oneshot
    ExecStart=/usr/lib/seatwright/seat-keeper restart --mode if-idle

    [Timer]
    OnActiveSec=60
    OnUnitInactiveSec=60
    AccuracySec=10
"""
