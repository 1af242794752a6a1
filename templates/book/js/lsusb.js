// What "lsusb -v" prints, read back, as generator/seatwright/usb/lsusb.py does; a test compares
// them. Returns {devices, errors}; an error is {line, message}.

// Letters, digits and blanks are those of Python's regular expressions.
const HEADER =
  /^(?:Bus ([0-9]{1,3}) Device ([0-9]{1,3})|Device): ID ([0-9A-Fa-f]{4}):([0-9A-Fa-f]{4})(?![\p{L}\p{N}_])[^\n]*$/u;
const HEADING = /^[A-Z][^:]*:$/;
const BLANK = "\\t-\\r\\x1c-\\x20\\x85\\xa0\\u1680\\u2000-\\u200a\\u2028\\u2029\\u202f\\u205f\\u3000";
const PAIR = new RegExp(`^[> \\t]*([a-z][\\p{L}\\p{N}_]*)[ \\t]*([^${BLANK}]*)[ \\t]*([^\\r]*)`, "u");
const KEYS = {
  "Device Descriptor:": [
    "bDeviceClass", "bDeviceSubClass", "bDeviceProtocol", "idVendor", "idProduct",
    "bcdDevice", "iManufacturer", "iProduct", "bNumConfigurations",
  ],
  "Configuration Descriptor:": ["bNumInterfaces", "bConfigurationValue"],
  "Interface Descriptor:": [
    "bInterfaceNumber", "bAlternateSetting", "bInterfaceClass", "bInterfaceSubClass",
    "bInterfaceProtocol",
  ],
  "Endpoint Descriptor:": ["bEndpointAddress", "bmAttributes", "wMaxPacketSize", "bInterval"],
};

class LsusbError extends Error {
  constructor(line, message) {
    super(message);
    this.line = line;
  }
}

function readLsusb(text) {
  const blocks = blocksOf(sectionsOf(text.replace(/^\ufeff/, "").split("\n")));
  if (blocks.length === 0) {
    const message = "No device stands here: neither a line “Bus … Device …: ID …” nor a device descriptor.";
    return { devices: [], errors: [{ line: 1, message }] };
  }
  const devices = [];
  const errors = [];
  for (const block of blocks) {
    try {
      devices.push(deviceOf(block));
    } catch (error) {
      if (!(error instanceof LsusbError)) {
        throw error;
      }
      errors.push({ line: error.line, message: error.message });
    }
  }
  return { devices, errors };
}

function strip(line) {
  return line.replace(/^[> \t\r]+/, "").replace(/[> \t\r]+$/, "");
}

// Headings with the wanted keys below them; a header line is a section of its own.
function sectionsOf(lines) {
  const sections = [];
  let section = null;
  lines.forEach((raw, index) => {
    const line = strip(raw);
    const pair = PAIR.exec(raw);
    if (HEADER.test(line) || HEADING.test(line)) {
      section = { heading: line, line: index + 1, values: new Map() };
      sections.push(section);
    } else if (section && pair && (KEYS[section.heading] || []).includes(pair[1])) {
      const values = section.values.get(pair[1]) || [];
      values.push({ text: pair[2], rest: pair[3], line: index + 1 });
      section.values.set(pair[1], values);
    }
  });
  return sections;
}

// The sections of each device: from a header, or from a device descriptor without one.
function blocksOf(sections) {
  const blocks = [];
  let block = [];
  for (const section of sections) {
    const isDevice = section.heading === "Device Descriptor:";
    const begun = block.some((one) => one.heading === "Device Descriptor:");
    if (HEADER.test(section.heading) || (isDevice && (begun || block.length === 0))) {
      if (block.length) {
        blocks.push(block);
      }
      block = [section];
    } else if (block.length) {
      block.push(section);
    }
  }
  if (block.length) {
    blocks.push(block);
  }
  return blocks;
}

function deviceOf(block) {
  const header = HEADER.exec(block[0].heading);
  const device = block.find((one) => one.heading === "Device Descriptor:");
  if (!device) {
    throw new LsusbError(
      block[0].line,
      "No device descriptor follows: the text is cut off, or lsusb ran without -v.",
    );
  }
  const vendor = hexadecimal(device, "idVendor");
  const product = hexadecimal(device, "idProduct");
  if (header && (vendor !== parseInt(header[3], 16) || product !== parseInt(header[4], 16))) {
    const key = vendor === parseInt(header[3], 16) ? "idProduct" : "idVendor";
    throw new LsusbError(
      device.values.get(key)[0].line,
      `The id is not the one in line ${block[0].line}.`,
    );
  }
  const configurations = configurationsOf(block, device);
  return {
    vendor,
    product,
    bcdDevice: bcd(device, "bcdDevice"),
    deviceClass: octet(device, "bDeviceClass"),
    deviceSubclass: octet(device, "bDeviceSubClass"),
    deviceProtocol: octet(device, "bDeviceProtocol"),
    configured: configurations.length > 0,
    interfaces: configurations.length ? configurations[0] : [],
    maker: ownWords(device, "iManufacturer"),
    title: ownWords(device, "iProduct"),
  };
}

// The device's own words; empty where lsusb could not open it.
function ownWords(section, key) {
  return section.values.has(key) ? valueOf(section, key).rest.trim().slice(0, 126) : "";
}

// The first setting of each interface, for every configuration.
function configurationsOf(block, device) {
  const starts = [];
  block.forEach((one, index) => {
    if (one.heading === "Configuration Descriptor:") {
      starts.push(index);
    }
  });
  announced(device, "bNumConfigurations", starts.length, "configurations");
  return starts.map((start, at) => {
    const end = at + 1 < starts.length ? starts[at + 1] : block.length;
    return interfacesOf(block[start], block.slice(start + 1, end));
  });
}

function interfacesOf(head, below) {
  const first = new Map();
  let begun = false;
  for (const section of below) {
    if (section.heading === "Endpoint Descriptor:" && begun) {
      checkEndpoint(section);
    }
    if (section.heading !== "Interface Descriptor:") {
      continue;
    }
    begun = true;
    const number = octet(section, "bInterfaceNumber");
    octet(section, "bAlternateSetting");
    const found = [
      octet(section, "bInterfaceClass"),
      octet(section, "bInterfaceSubClass"),
      octet(section, "bInterfaceProtocol"),
    ];
    if (!first.has(number)) {
      first.set(number, found);
    }
  }
  announced(head, "bNumInterfaces", first.size, "interfaces");
  octet(head, "bConfigurationValue");
  return [...first.values()];
}

// Nothing is decided by endpoints, but a text that is broken there is not believed either.
function checkEndpoint(section) {
  matched(section, "bEndpointAddress", /^0x[0-9a-fA-F]{2}$/, 16, 0xff, "0x and two hexadecimal digits");
  octet(section, "bmAttributes");
  hexadecimal(section, "wMaxPacketSize");
  octet(section, "bInterval");
}

function announced(section, key, found, what) {
  const number = octet(section, key);
  if (number !== found) {
    throw new LsusbError(
      section.values.get(key)[0].line,
      `${number} ${what} are announced, but ${found} can be read.`,
    );
  }
}

function valueOf(section, key) {
  const values = section.values.get(key) || [];
  if (values.length === 0) {
    throw new LsusbError(section.line, `${key} is missing below “${section.heading}”.`);
  }
  if (values.length > 1) {
    throw new LsusbError(
      values[1].line,
      `${key} stands here a second time (first in line ${values[0].line}).`,
    );
  }
  return values[0];
}

function octet(section, key) {
  return matched(section, key, /^[0-9]{1,3}$/, 10, 0xff, "a decimal number up to 255");
}

function hexadecimal(section, key) {
  const form = /^0x[0-9a-fA-F]{4}$/;
  return matched(section, key, form, 16, 0xffff, "0x and four hexadecimal digits");
}

function bcd(section, key) {
  const form = /^[0-9a-fA-F]{1,2}\.[0-9a-fA-F]{2}$/;
  return matched(section, key, form, 16, 0xffff, "a version like 1.10");
}

function matched(section, key, form, base, highest, wanted) {
  const value = valueOf(section, key);
  const number = form.test(value.text) ? parseInt(value.text.replace(".", ""), base) : -1;
  if (number < 0 || number > highest) {
    throw new LsusbError(value.line, `${key} is not ${wanted}.`);
  }
  return number;
}

