"""The script that looks at a client: a POSIX shell is all it needs, and it changes nothing.

What it prints is a capture: a line each of ``kind name key value``, the last line is ``end``.  A
device's own texts are read up to their first line break, so that none can pass for a line of ours.
This file is copied to the seat as it is: standard library only.

Sources: Linux Documentation/ABI/testing/sysfs-bus-usb (devices, interfaces, hub ports with
``connect_type`` and ``peer``), sysfs-class-net, sysfs-block; proc(5) for route, mountinfo, swaps.
"""

from __future__ import annotations

FORMAT = "seatwright-survey 1"

SCRIPT = r"""# Looks at this machine's USB devices and what the machine lives on. Changes nothing.
# sh THIS [SYS [PROC [short]]]: other directories may stand for /sys and /proc.
sys=${1:-/sys} proc=${2:-/proc} short=${3:-}
LC_ALL=C
export LC_ALL

# The words, and the first line of a file where it can be read.
line() {
    [ -f "$2" ] || return 0
    value=
    { IFS= read -r value; } 2>/dev/null <"$2"
    printf '%s %s\n' "$1" "$value"
}
# The words before each line of a file.
lines() {
    [ -f "$2" ] || return 0
    while IFS= read -r value; do printf '%s %s\n' "$1" "$value"; done 2>/dev/null <"$2"
}
# The words, and where a directory really is.
place() {
    if cd -P "$2" 2>/dev/null; then printf '%s %s\n' "$1" "$PWD"; fi
}
# The words, and the name of what a link leads to.
leads() {
    if cd -P "$2" 2>/dev/null; then printf '%s %s\n' "$1" "${PWD##*/}"; fi
}
# What comes and goes; taken before and after, since the look takes a moment.
moment() {
    printf '%s' "$1"
    for at in "$sys"/bus/usb/devices/*/devnum "$sys"/class/net/*/ifindex; do
        [ -f "$at" ] || continue
        value=
        { read -r value; } 2>/dev/null <"$at"
        at=${at%/*}
        printf ' %s=%s' "${at##*/}" "$value"
    done
    if [ -f "$proc/net/route" ]; then
        while read -r value at rest; do printf ' %s>%s' "$at" "$value"; done <"$proc/net/route"
    fi
    printf '\n'
}

printf 'seatwright-survey 1\n'
moment before
value=$(dpkg --print-architecture 2>/dev/null) || value=$(uname -m 2>/dev/null)
printf 'arch %s\n' "$value"
line machine "$sys/firmware/devicetree/base/model"
line machine "$sys/class/dmi/id/sys_vendor"
line machine "$sys/class/dmi/id/product_name"
line machine "$sys/class/dmi/id/product_version"
printf 'over %s\n' "${SSH_CONNECTION:-}"

for at in "$sys"/bus/usb/devices/*; do
    name=${at##*/}
    [ -d "$at" ] || continue
    case $name in
    *:*)
        for key in bInterfaceNumber bAlternateSetting bInterfaceClass bInterfaceSubClass \
            bInterfaceProtocol; do
            line "interface $name $key" "$at/$key"
        done
        leads "interface $name driver" "$at/driver"
        for port in "$at"/*-port[0-9]*; do
            [ -d "$port" ] || continue
            line "port ${port##*/} connect_type" "$port/connect_type"
            leads "port ${port##*/} peer" "$port/peer"
            printf 'port %s there\n' "${port##*/}"
        done
        ;;
    *)
        for key in busnum devnum idVendor idProduct bcdDevice bDeviceClass bDeviceSubClass \
            bDeviceProtocol bConfigurationValue bNumInterfaces speed maxchild removable \
            manufacturer product; do
            line "usb $name $key" "$at/$key"
        done
        if [ -z "$short" ] && [ -f "$at/descriptors" ]; then
            value=$(od -An -v -tx1 <"$at/descriptors" 2>/dev/null)
            set -f
            set -- $value
            printf 'usb %s descriptors %s\n' "$name" "$*"
            set +f
        fi
        ;;
    esac
done

for at in "$sys"/class/net/*; do
    name=${at##*/}
    [ -d "$at" ] || continue
    printf 'net %s there\n' "$name"
    place "net $name place" "$at/device"
    for key in operstate speed; do line "net $name $key" "$at/$key"; done
    for low in "$at"/lower_* "$at"/brif/*; do
        low=${low##*/}
        [ "$low" = '*' ] || [ "$low" = 'lower_*' ] && continue
        printf 'net %s lower %s\n' "$name" "${low#lower_}"
    done
    [ -d "$at/wireless" ] || [ -d "$at/phy80211" ] && printf 'net %s wireless\n' "$name"
done
lines route4 "$proc/net/route"
lines route6 "$proc/net/ipv6_route"

for at in "$sys"/class/block/*; do
    name=${at##*/}
    [ -d "$at" ] || continue
    line "block $name dev" "$at/dev"
    place "block $name place" "$at"
    line "block $name mapped" "$at/dm/name"
    line "block $name backing" "$at/loop/backing_file"
    for low in "$at"/slaves/*; do
        [ -d "$low" ] && printf 'block %s lower %s\n' "$name" "${low##*/}"
    done
done
for at in "$sys"/fs/btrfs/*/devices/*; do
    [ -d "$at" ] || continue
    low=${at%/devices/*}
    printf 'btrfs %s %s\n' "${low##*/}" "${at##*/}"
done
lines mount "$proc/self/mountinfo"
lines swap "$proc/swaps"

events=
for at in "$sys"/class/input/input*; do
    name=${at##*/}
    [ -d "$at" ] || continue
    place "input $name place" "$at"
    for key in name capabilities/key capabilities/rel capabilities/abs; do
        line "input $name $key" "$at/$key"
    done
    for node in "$at"/event*; do
        [ -d "$node" ] && events="$events $name=${node##*/}"
    done
done
# Which keyboards a program has open; only root sees that of all programs.
for at in "$proc"/[0-9]*/fd/*; do
    [ -c "$at" ] || continue
    for node in $events; do
        [ "$at" -ef "/dev/input/${node#*=}" ] && printf 'input %s open\n' "${node%=*}"
    done
done
moment after
printf 'end\n'
"""
