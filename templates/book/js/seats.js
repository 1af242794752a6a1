// Finding and listing seats. Rows are made as they are shown; what is searched is made once.

const FIRST_ROWS = 25;
const MORE_ROWS = 200;
const MOST_HITS = 30;

// One line of lower-case text for each seat.
let searched = null;
function searchedSeats() {
  if (searched === null) {
    const { name, guest, address, cell, host } = data.seats;
    searched = name.map((one, at) => {
      const [room, set] = data.cells[cell[at]];
      const [policy, model] = data.sets[set];
      return [
        one, guest[at], address[at], data.hosts[host[at]], data.rooms[room][0], data.rooms[room][1],
        data.models[model][0], data.policies[policy][0],
      ].join("\n").toLowerCase();
    });
  }
  return searched;
}

// The numbers of the seats that have every word of a text.
function seatsWith(text) {
  const words = text.toLowerCase().split(/\s+/).filter(Boolean);
  const lines = searchedSeats();
  const found = [];
  for (let at = 0; at < lines.length; at += 1) {
    if (words.every((word) => lines[at].includes(word))) {
      found.push(at);
    }
  }
  return found;
}

function seatRow(at) {
  const { seats } = data;
  const name = seats.name[at];
  const [room, set] = data.cells[seats.cell[at]];
  const [policy, model] = data.sets[set];
  return make(
    "tr",
    {},
    make("th", { scope: "row" }, name),
    make("td", {}, make("a", { href: `#room-${data.rooms[room][0]}` }, data.rooms[room][1])),
    make("td", {}, seats.address[at] || name),
    make("td", {}, make("a", { href: `#model-${data.models[model][0]}` }, data.models[model][0])),
    make("td", {}, data.policies[policy][0]),
    make("td", {}, seats.guest[at] || name),
    make("td", {}, data.hosts[seats.host[at]]),
    make("td", { class: "number" }, seats.display[at] ? String(seats.display[at]) : "none left"),
    make("td", { class: "number" }, String(seats.ports[at])),
  );
}

function setUpSeatTable() {
  const table = byId("seat-table");
  const body = table.querySelector("tbody");
  const filter = byId("seat-filter");
  const more = byId("seat-more");
  let found = [];
  let shown = 0;

  function add(count) {
    const rows = found.slice(shown, shown + count).map(seatRow);
    body.append(...rows);
    shown += rows.length;
    more.hidden = shown >= found.length;
    byId("seat-count").textContent = `${counted(found.length, "seat")}, ${shown} shown`;
  }

  function show() {
    found = seatsWith(filter.value);
    shown = 0;
    body.replaceChildren();
    add(FIRST_ROWS);
  }

  filter.addEventListener("input", show);
  more.addEventListener("click", () => {
    const first = body.children.length;
    add(MORE_ROWS);
    body.children[first]?.querySelector("a")?.focus();
  });
  byId("seat-form").addEventListener("submit", (event) => event.preventDefault());
  table.hidden = false;
  return { show, filter };
}

// Everything with a name but the seats, for the search in the header.
let named = null;
function namedThings() {
  if (named === null) {
    const thing = (what, name, title, to) => ({
      what, to, title: title && title !== name ? `${title} (${name})` : name,
      text: `${name}\n${title}`.toLowerCase(),
    });
    named = [
      ...data.rooms.map(([name, title]) => thing("room", name, title, `room-${name}`)),
      ...data.models.map(([name, title]) => thing("model", name, title, `model-${name}`)),
      ...data.peripherals.map(([name, title]) => thing("peripheral", name, title, `device-${name}`)),
    ];
  }
  return named;
}

function setUpFind(seatTable) {
  const form = document.querySelector(".find");
  const input = byId("find");
  const results = byId("find-results");
  const list = results.querySelector("ul");

  function close() {
    results.hidden = true;
    list.replaceChildren();
  }

  function hit(what, title, to, onclick) {
    return make(
      "li", {}, make("a", { href: `#${to}`, onclick }, make("span", { class: "dim" }, what), ` ${title}`),
    );
  }

  function show() {
    const text = input.value.trim().toLowerCase();
    if (!text) {
      close();
      return;
    }
    const words = text.split(/\s+/);
    const things = namedThings().filter((one) => words.every((word) => one.text.includes(word)));
    const seats = seatsWith(text);
    const hits = things.slice(0, MOST_HITS).map((one) => hit(one.what, one.title, one.to, close));
    for (const at of seats.slice(0, Math.max(0, MOST_HITS - hits.length))) {
      const name = data.seats.name[at];
      const room = data.rooms[data.cells[data.seats.cell[at]][0]][1];
      const guest = data.seats.guest[at] ? `, guest ${data.seats.guest[at]}` : "";
      hits.push(hit("seat", `${name}, ${room}${guest}`, "seats", () => {
        seatTable.filter.value = name;
        seatTable.show();
        close();
      }));
    }
    const total = things.length + seats.length;
    byId("find-count").textContent = total > hits.length
      ? `${counted(total, "hit")}, the first ${hits.length} shown`
      : counted(total, "hit");
    list.replaceChildren(...hits);
    results.hidden = false;
  }

  input.addEventListener("input", show);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    list.querySelector("a")?.click();
  });
  form.addEventListener("keydown", (event) => {
    const links = [...list.querySelectorAll("a")];
    const at = links.indexOf(document.activeElement);
    if (event.key === "Escape") {
      close();
      input.focus();
    } else if (event.key === "ArrowDown" && links.length) {
      event.preventDefault();
      links[Math.min(at + 1, links.length - 1)].focus();
    } else if (event.key === "ArrowUp" && at >= 0) {
      event.preventDefault();
      (at === 0 ? input : links[at - 1]).focus();
    }
  });
  form.addEventListener("focusout", (event) => {
    if (!form.contains(event.relatedTarget)) {
      close();
    }
  });
  form.hidden = false;
}

