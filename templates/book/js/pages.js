// One page at a time: the address says which. Without this script all pages stand below each other.

const PAGES = [...document.querySelectorAll("[data-page]")];
const TITLE = document.title;

// The element that the address names; ids of the site are plain names.
function target() {
  return byId(decodeURIComponent(location.hash.slice(1))) || PAGES[0];
}

function showPage(moved) {
  const at = target();
  const page = at.closest("[data-page]") || PAGES[0];
  const sheet = at.closest(".sheet");
  const needs = NEEDS.get(page.dataset.page);
  NEEDS.delete(page.dataset.page);
  document.documentElement.classList.remove("first");
  needs?.();
  PAGES.forEach((one) => one.classList.toggle("shown", one === page));
  document.querySelectorAll(".sheet.alone").forEach((one) => one.classList.remove("alone"));
  page.classList.toggle("single", sheet !== null);
  sheet?.classList.add("alone");
  document.querySelectorAll("[data-to]").forEach((link) => {
    if (link.dataset.to === page.dataset.page) {
      link.setAttribute("aria-current", sheet ? "true" : "page");
    } else {
      link.removeAttribute("aria-current");
    }
  });
  const heading = sheet?.querySelector("h2") || (at === page ? page.querySelector("h1") : at);
  document.title = `${(sheet?.querySelector("h2") || page.querySelector("h1")).textContent} – ${TITLE}`;
  if (moved) {
    heading.setAttribute("tabindex", "-1");
    heading.focus({ preventScroll: true });
    if (at === page) {
      window.scrollTo(0, 0);
    } else {
      at.scrollIntoView();
    }
  }
}

// A served book looks now and then whether the site was edited.
function watch() {
  const live = byId("live");
  if (!live) {
    return;
  }
  const own = JSON.parse(live.textContent);
  const again = () => window.setTimeout(look, 1000);
  const look = () => fetch("version")
    .then((answer) => answer.text())
    .then((version) => (version === own ? again() : location.reload()))
    .catch(again);
  again();
}

// What a page needs is made when it is first shown: the first view need not wait for it.
const NEEDS = new Map();
if (data) {
  const seatTable = setUpSeatTable();
  NEEDS.set("technician", () => {
    seatTable.show();
    setUpRules();
  });
  NEEDS.set("try", setUpTry);
  setUpFind(seatTable);
  window.requestIdleCallback(searchedSeats);
}
window.addEventListener("hashchange", () => showPage(true));
showPage(location.hash !== "");
watch();
// For whoever wants to ask the decision from the browser's console.
window.seatwright = Object.freeze({ decide, decideStrict, readLsusb });
