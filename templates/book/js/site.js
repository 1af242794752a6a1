// The site's data, and the few helpers that all pages use. Text of the site only ever becomes
// text nodes.

const data = JSON.parse(document.getElementById("data").textContent);

const byId = (id) => document.getElementById(id);

// An element with attributes ("on…" are listeners) and children; null children are left out.
function make(tag, attributes, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name.startsWith("on")) {
      made.addEventListener(name.slice(2), value);
    } else if (value !== null && value !== false) {
      made.setAttribute(name, value === true ? "" : value);
    }
  }
  made.append(...children.flat().filter((child) => child !== null));
  return made;
}

const SVG = "http://www.w3.org/2000/svg";

// The sign of something that can happen; the words always stand beside it.
function sign(name) {
  const picture = document.createElementNS(SVG, "svg");
  picture.setAttribute("class", "sign");
  picture.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(SVG, "use");
  use.setAttribute("href", `#sign-${name}`);
  picture.append(use);
  return picture;
}

function hex(number, digits) {
  return number.toString(16).padStart(digits, "0");
}

function counted(number, word) {
  return `${number.toLocaleString("en")} ${word}${number === 1 ? "" : "s"}`;
}

// A table in a frame that scrolls by itself; the frame can be reached with the keyboard. Where it
// is titled already, its caption is only for those who hear the page.
function framed(label, heads, rows, titled = false) {
  const head = make("tr", {}, heads.map((words) => make("th", { scope: "col" }, words)));
  return make(
    "div",
    { class: "scroll", tabindex: "0", role: "group", "aria-label": label },
    make("table", {}, make("caption", { class: titled ? "unseen" : null }, label), make("thead", {}, head), make("tbody", {}, rows)),
  );
}

// Names with a number at their end, rows of them as "rr-01 – rr-14".
function rowsOf(names) {
  const rows = [];
  let last = null;
  for (const name of names) {
    const found = /^(.*?)([0-9]+)$/.exec(name);
    if (last && found && last[1] === found[1] && Number(last[2]) + 1 === Number(found[2])) {
      rows[rows.length - 1].push(name);
    } else {
      rows.push([name]);
    }
    last = found;
  }
  const shown = rows.flatMap((row) => (row.length > 2 ? [`${row[0]} – ${row[row.length - 1]}`] : row));
  return shown.length > 8 ? `${shown.slice(0, 8).join(", ")} and ${shown.length - 8} more` : shown.join(", ");
}

// The rules of a list, each as decide() wants it; the words are at places 5 and 6.
const knownLists = new Map();
function listOf(number) {
  if (!knownLists.has(number)) {
    knownLists.set(number, data.lists[number].map((rule) => data.rules[rule]));
  }
  return knownLists.get(number);
}

