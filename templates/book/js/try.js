// Try a device: read what it is, decide for every rule set, show rooms with one answer together.

const LARGEST_TEXT = 16 * 2 ** 20;
const CLASS_NAMES = new Map(data ? data.classes.map(([code, name]) => [code, name]) : []);
const CLASS_CODES = new Map(data ? data.classes.map(([code, name]) => [name, code]) : []);

function className(code) {
  return CLASS_NAMES.get(code) || `0x${hex(code, 2)}`;
}

class Mistake extends Error {}

function readId(text) {
  const found = /^\s*([0-9a-fA-F]{4}):([0-9a-fA-F]{4})\s*$/.exec(text);
  if (!found) {
    throw new Mistake("The id is two numbers of four hexadecimal digits: 1209:0003.");
  }
  return [parseInt(found[1], 16), parseInt(found[2], 16)];
}

function readVersion(text) {
  const plain = text.trim();
  if (!plain) {
    return 0;
  }
  const found = /^([0-9]{1,2})\.([0-9]{2})$/.exec(plain);
  if (found) {
    return parseInt(found[1] + found[2], 16);
  }
  if (/^0x[0-9a-fA-F]{4}$/.test(plain)) {
    return parseInt(plain, 16);
  }
  throw new Mistake("bcdDevice is a release number such as 1.10, or 0x0110.");
}

function readNumber(text, what) {
  if (/^0x[0-9a-fA-F]{1,2}$/i.test(text) || (/^[0-9]{1,3}$/.test(text) && Number(text) <= 255)) {
    return Number(text);
  }
  throw new Mistake(`“${text}” is no ${what}: write a class name, or a number from 0 to 255 (0x08).`);
}

function readInterfaces(text) {
  const parts = text.split(",").map((part) => part.trim().toLowerCase()).filter(Boolean);
  return parts.map((part) => {
    const [first, ...rest] = part.split("/").map((one) => one.trim());
    const code = CLASS_CODES.has(first) ? CLASS_CODES.get(first) : readNumber(first, "class");
    if (rest.length !== 0 && rest.length !== 2) {
      throw new Mistake(`“${part}” has a class and one more number: write class/subclass/protocol.`);
    }
    const [subclass, protocol] = rest.map((one) => readNumber(one, "number of this kind"));
    return [code, subclass ?? null, protocol ?? null];
  });
}

function interfacesText(interfaces) {
  return interfaces
    .map(([code, subclass, protocol]) =>
      className(code) + (subclass === null ? "" : `/${subclass}/${protocol}`))
    .join(", ");
}

function versionText(version) {
  const digits = hex(version, 4);
  return /^[0-9]+$/.test(digits) ? `${Number(digits.slice(0, 2))}.${digits.slice(2)}` : `0x${digits}`;
}

// What a seat does with a device at one place: the verdict, and the decision that made it so.
function answerAt(redirect, permitted, device) {
  const first = decideStrict(listOf(redirect), device);
  if (first.allowed) {
    return { verdict: "redirect", list: redirect, decision: first };
  }
  const second = decideStrict(listOf(permitted), device);
  return { verdict: second.allowed ? "offer" : "keep", list: permitted, decision: second };
}

// Which part of the device a check was about.
function partWords(checks) {
  const what = className(checks[0].usbClass);
  if (checks[0].interface === null) {
    return `device class ${what}`;
  }
  const numbers = checks.map((check) => check.interface + 1).join(", ");
  return `${checks.length > 1 ? "interfaces" : "interface"} ${numbers}, ${what}`;
}

// Why, a line for each part that was looked at: {words, rule, from}; rule is null where none
// spoke of it. Parts that one rule decided stand together.
function whyLines({ list, decision }) {
  if (decision.reason === "not-configured") {
    return [{ words: "It has no active configuration; the session never hands such a device over." }];
  }
  if (decision.reason === "no-interfaces") {
    return [{ words: "It shows no interfaces; the session never hands such a device over." }];
  }
  const looked = decision.allowed ? decision.checks : decision.checks.slice(-1);
  const together = new Map();
  for (const check of looked) {
    const key = `${check.interface === null} ${check.usbClass} ${check.rule}`;
    together.set(key, [...(together.get(key) || []), check]);
  }
  return [...together.values()].map((checks) => {
    const { rule } = checks[0];
    if (rule === null) {
      return { words: `${partWords(checks)}: no rule speaks of it, so it stays.` };
    }
    const [, , , , , words, from] = listOf(list)[rule];
    return { words: `${partWords(checks)}: ${data.words[words]}`, rule, from: data.words[from] };
  });
}

// Where the host's filter, which skips what the session does not, answers otherwise.
function hostWords(host, device, verdict) {
  const decision = decide(listOf(host), device);
  if (decision.allowed && verdict === "keep") {
    const skipped = decision.skipped.length ? " It does not look at 3/0/0 HID interfaces." : "";
    return `The host's filter alone would let it pass; the seat keeps it.${skipped}`;
  }
  if (!decision.allowed && verdict !== "keep") {
    return "The host's filter refuses it.";
  }
  return "";
}

// What happens at a rule set: for the sockets with lists of their own, and everywhere else.
function answersOf(set, device) {
  const [, model, redirect, permitted, host, sockets] = set;
  const own = new Map(sockets.map(([label, first, second]) => [label, [first, second]]));
  const spots = data.models[model][2].map(([label]) => [label, ...(own.get(label) || [redirect, permitted])]);
  const places = spots.length ? spots : [[null, redirect, permitted]];
  const folded = new Map();
  for (const [label, first, second] of places) {
    const answer = answerAt(first, second, device);
    const why = whyLines(answer);
    const key = answer.verdict + sameWords(why);
    if (!folded.has(key)) {
      folded.set(key, { verdict: answer.verdict, why, host: hostWords(host, device, answer.verdict), labels: [] });
    }
    folded.get(key).labels.push(label);
  }
  const answers = [...folded.values()];
  if (answers.length === 1) {
    answers[0].labels = [];
  }
  return answers;
}

// Lines as text, without the numbers of the rules: those differ where models do.
function sameWords(value) {
  return JSON.stringify(value, (name, one) => (name === "rule" ? undefined : one));
}

// Rooms (and seats of rooms) with the same answers together: [{answers, cells}].
function foldedAnswers(device) {
  const bySet = data.sets.map((set) => answersOf(set, device));
  const keys = bySet.map(sameWords);
  const folded = new Map();
  data.cells.forEach(([, set], cell) => {
    if (!folded.has(keys[set])) {
      folded.set(keys[set], { answers: bySet[set], cells: [] });
    }
    folded.get(keys[set]).cells.push(cell);
  });
  return [...folded.values()];
}

let cellsOfRoom = null;
function cellCounts() {
  if (cellsOfRoom === null) {
    cellsOfRoom = data.rooms.map(() => 0);
    data.cells.forEach(([room]) => { cellsOfRoom[room] += 1; });
  }
  return cellsOfRoom;
}

// The rooms of some cells in words; where only some seats of a room are meant, their names.
function roomsWords(cells) {
  const byRoom = new Map();
  cells.forEach((cell) => {
    const [room] = data.cells[cell];
    byRoom.set(room, [...(byRoom.get(room) || []), cell]);
  });
  const named = [...byRoom].slice(0, 10).map(([room, some]) => {
    const title = data.rooms[room][1];
    if (some.length === cellCounts()[room]) {
      return title;
    }
    const wanted = new Set(some);
    const seats = data.seats.name.filter((_, at) => wanted.has(data.seats.cell[at]));
    return `${title}: ${rowsOf(seats)}`;
  });
  return byRoom.size > 10 ? `${named.join("; ")} and ${byRoom.size - 10} more rooms` : named.join("; ");
}

function whyLine({ words, rule, from }) {
  const because = from ? make("span", { class: "dim" }, ` (${from}; rule ${rule + 1})`) : null;
  return make("p", {}, words, because);
}

function answerRows({ answers, cells }) {
  return answers.map((answer, at) => make(
    "tr",
    {},
    at === 0
      ? make("th", { scope: "rowgroup", rowspan: answers.length }, roomsWords(cells))
      : null,
    make("td", {}, answer.labels.length ? answer.labels.map((label) => `“${label}”`).join(", ") : "any"),
    make("td", {}, make("span", { class: "does" }, sign(answer.verdict), ` ${data.happens[answer.verdict]}`)),
    make("td", {}, answer.why.map(whyLine), answer.host ? make("p", { class: "dim" }, answer.host) : null),
  ));
}

function showAnswers(output, device) {
  const folded = foldedAnswers(device);
  const rank = { redirect: 0, offer: 1, keep: 2 };
  folded.sort((a, b) => rank[a.answers[0].verdict] - rank[b.answers[0].verdict]);
  const bodies = folded.map((one) => make("tbody", {}, answerRows(one)));
  const title = `${hex(device.vendor, 4)}:${hex(device.product, 4)}, release ${versionText(device.bcdDevice)}, ` +
    (device.interfaces.length ? interfacesText(device.interfaces) : "no interfaces");
  const table = framed(title, ["Room", "Socket", "What happens", "Why"], []);
  table.querySelector("tbody").replaceWith(...bodies);
  output.replaceChildren(make("h2", {}, "What happens"), table);
}

function setUpTry() {
  const fields = {
    id: byId("try-id"), version: byId("try-version"), deviceClass: byId("try-class"),
    interfaces: byId("try-interfaces"),
  };
  const problem = byId("try-problem");
  const output = byId("try-output");
  let read = [];

  function device() {
    const [vendor, product] = readId(fields.id.value);
    return {
      vendor,
      product,
      bcdDevice: readVersion(fields.version.value),
      deviceClass: Number(fields.deviceClass.value),
      configured: true,
      interfaces: readInterfaces(fields.interfaces.value),
    };
  }

  function say(message) {
    problem.textContent = message;
    fields.id.setAttribute("aria-invalid", message ? "true" : "false");
  }

  function decideNow() {
    if (!fields.id.value.trim()) {
      say("");
      output.replaceChildren();
      return;
    }
    try {
      const tried = device();
      say("");
      showAnswers(output, tried);
    } catch (error) {
      if (!(error instanceof Mistake)) {
        throw error;
      }
      say(error.message);
      output.replaceChildren();
    }
  }

  function fill(found) {
    fields.id.value = `${hex(found.vendor, 4)}:${hex(found.product, 4)}`;
    fields.version.value = versionText(found.bcdDevice);
    fields.deviceClass.value = String(found.deviceClass);
    fields.interfaces.value = interfacesText(found.interfaces);
    decideNow();
  }

  function takeText(text) {
    const pick = byId("try-pick");
    byId("try-devices").hidden = true;
    if (!text.trim()) {
      say("");
      return;
    }
    if (text.length > LARGEST_TEXT) {
      say("The text is larger than lsusb ever prints.");
      return;
    }
    const result = readLsusb(text);
    read = result.devices;
    pick.replaceChildren(...read.map((one, at) => make(
      "option", { value: at }, `${hex(one.vendor, 4)}:${hex(one.product, 4)} ${one.title}`,
    )));
    byId("try-devices").hidden = read.length < 2;
    if (read.length) {
      fill(read[0]);
    }
    if (result.errors.length) {
      say(result.errors.map((error) => `Line ${error.line}: ${error.message}`).join(" "));
    }
  }

  function takeFile(file) {
    if (file && file.size <= LARGEST_TEXT) {
      file.text().then((text) => {
        byId("try-text").value = text;
        takeText(text);
      });
    } else if (file) {
      say("The file is larger than lsusb ever prints.");
    }
  }

  data.peripherals.forEach(([name, title], at) => {
    byId("try-known").append(make("option", { value: at }, title || name));
  });
  fields.deviceClass.append(...[0, ...data.classes.map(([code]) => code).filter(Boolean)].map((code) => make(
    "option", { value: code }, code === 0 ? "the interfaces say" : `${className(code)} (0x${hex(code, 2)})`,
  )));
  for (let code = 0; code <= 255; code += 1) {
    if (!CLASS_NAMES.has(code)) {
      fields.deviceClass.append(make("option", { value: code }, `0x${hex(code, 2)}`));
    }
  }
  byId("try-add").append(...data.classes.filter(([code]) => code).map(([code, name, title]) => make(
    "option", { value: name }, `${title} (${name})`,
  )));

  byId("try-known").addEventListener("change", (event) => {
    if (event.target.value !== "") {
      const [, , vendor, product, version, deviceClass, interfaces] = data.peripherals[event.target.value];
      fill({ vendor, product, bcdDevice: readVersion(version || ""), deviceClass, interfaces });
    }
  });
  byId("try-add").addEventListener("change", (event) => {
    const before = fields.interfaces.value.trim().replace(/,$/, "");
    fields.interfaces.value = before ? `${before}, ${event.target.value}` : event.target.value;
    event.target.value = "";
    decideNow();
  });
  Object.values(fields).forEach((field) => field.addEventListener("input", decideNow));
  byId("try-text").addEventListener("input", (event) => takeText(event.target.value));
  byId("try-file").addEventListener("change", (event) => takeFile(event.target.files[0]));
  byId("try-pick").addEventListener("change", (event) => fill(read[Number(event.target.value)]));
  byId("try-form").addEventListener("submit", (event) => event.preventDefault());
  byId("try").addEventListener("dragover", (event) => event.preventDefault());
  byId("try").addEventListener("drop", (event) => {
    event.preventDefault();
    takeFile(event.dataTransfer.files[0]);
  });
  byId("try-device").hidden = false;
  decideNow();
}

