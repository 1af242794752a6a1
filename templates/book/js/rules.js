// The rule lists of a policy on a model: words beside numbers.

function ruleRow(rule, index) {
  const [usbClass, vendor, product, version, allow, words, from] = rule;
  const field = (value, digits) => (value === ANY ? "−1" : `0x${hex(value, digits)}`);
  return make(
    "tr",
    {},
    make("td", { class: "number" }, String(index + 1)),
    make("td", { class: "mono" }, [
      field(usbClass, 2), field(vendor, 4), field(product, 4), field(version, 4), String(allow),
    ].join(",")),
    make("td", {}, data.words[words]),
    make("td", { class: "dim" }, data.words[from]),
  );
}

function ruleTable(title, number) {
  const rules = listOf(number);
  const heads = ["No.", "As numbers", "In words", "Because of"];
  return make(
    "section",
    {},
    make("h3", {}, title),
    rules.length
      ? framed(title, heads, rules.map(ruleRow), true)
      : make("p", {}, "No rule: nothing passes."),
  );
}

function ruleTables(set) {
  const [, , redirect, permitted, host, sockets] = set;
  return [
    ruleTable("Goes by itself, at every port without rules of its own", redirect),
    ruleTable("May go, at every port without rules of its own", permitted),
    ...sockets.flatMap(([label, own, ownPermitted]) => [
      ruleTable(`Goes by itself, in the socket “${label}”`, own),
      ruleTable(`May go, in the socket “${label}”`, ownPermitted),
    ]),
    ruleTable("The host's filter", host),
  ];
}

function setUpRules() {
  const policy = byId("rule-policy");
  const model = byId("rule-model");
  const output = byId("rule-output");
  const used = [...new Set(data.sets.map((set) => set[0]))];
  policy.append(...used.map((at) => make("option", { value: at }, data.policies[at][1] || data.policies[at][0])));

  function models() {
    const sets = data.sets.filter((set) => String(set[0]) === policy.value);
    model.replaceChildren(
      ...sets.map((set) => make("option", { value: set[1] }, data.models[set[1]][1])),
    );
  }

  function show() {
    const set = data.sets.find(
      (one) => String(one[0]) === policy.value && String(one[1]) === model.value,
    );
    output.replaceChildren(...(set ? ruleTables(set) : [make("p", {}, "No seat has rules yet.")]));
  }

  policy.addEventListener("change", () => {
    models();
    show();
  });
  model.addEventListener("change", show);
  byId("rule-form").addEventListener("submit", (event) => event.preventDefault());
  models();
  show();
  byId("rule-lists").hidden = false;
}

