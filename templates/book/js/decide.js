// The decision on a device, as generator/seatwright/usb/filter.py makes it; a test compares them.
//
// A rule is [class, vendor, product, version, allow], -1 is any. A device has vendor, product,
// bcdDevice, deviceClass, configured and interfaces [[class, subclass, protocol], …] in which
// subclass and protocol are null where they are not known.

const ANY = -1;

// What usbredir's library decides; {allowed, reason, rule, checks, skipped}.
function decide(rules, device, defaultAllow = false, strict = false) {
  const skipped = strict ? [] : plainHid(device.interfaces);
  const checks = [];
  for (const [position, usbClass] of questions(device, skipped)) {
    const check = checkOne(rules, device, position, usbClass, defaultAllow);
    checks.push(check);
    if (!check.allowed) {
      const reason = check.rule === null ? "no-rule" : "denied-by-rule";
      return { allowed: false, reason, rule: check.rule, checks, skipped };
    }
  }
  if (checks.length === 0) {
    return { allowed: true, reason: "nothing-checked", rule: null, checks, skipped };
  }
  const byDefault = checks.some((check) => check.rule === null);
  const reason = byDefault ? "allowed-by-default" : "allowed";
  return { allowed: true, reason, rule: checks[checks.length - 1].rule, checks, skipped };
}

// What the session on a seat decides.
function decideStrict(rules, device) {
  const kept = { allowed: false, rule: null, checks: [], skipped: [] };
  if (!device.configured) {
    return { ...kept, reason: "not-configured" };
  }
  if (device.interfaces.length === 0) {
    return { ...kept, reason: "no-interfaces" };
  }
  return decide(rules, device, false, true);
}

// Positions of the 3/0/0 interfaces, unless they are all there is.
function plainHid(interfaces) {
  const positions = [];
  interfaces.forEach(([usbClass, subclass, protocol], position) => {
    if (usbClass === 0x03 && subclass === 0 && protocol === 0) {
      positions.push(position);
    }
  });
  return positions.length === interfaces.length ? [] : positions;
}

function questions(device, skipped) {
  const asked = [];
  if (device.deviceClass !== 0x00 && device.deviceClass !== 0xef) {
    asked.push([null, device.deviceClass]);
  }
  device.interfaces.forEach(([usbClass], position) => {
    if (!skipped.includes(position)) {
      asked.push([position, usbClass]);
    }
  });
  return asked;
}

function checkOne(rules, device, position, usbClass, defaultAllow) {
  for (let index = 0; index < rules.length; index += 1) {
    const [wantedClass, vendor, product, version, allow] = rules[index];
    if (
      (wantedClass === ANY || wantedClass === usbClass) &&
      (vendor === ANY || vendor === device.vendor) &&
      (product === ANY || product === device.product) &&
      (version === ANY || version === device.bcdDevice)
    ) {
      return { interface: position, usbClass, rule: index, allowed: Boolean(allow) };
    }
  }
  return { interface: position, usbClass, rule: null, allowed: defaultAllow };
}

