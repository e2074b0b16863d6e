"use strict";
(() => {
  const list = document.getElementById("jobs");
  if (!list) return;
  const find = document.getElementById("find"), who = document.getElementById("who"), sort = document.getElementById("sort");
  const shown = document.getElementById("shown"), buttons = [...document.querySelectorAll("#tally button")];
  const jobs = [...list.children].map((element, place) => ({
    element, place,
    text: element.textContent.toLowerCase(),
    part: element.querySelector("h3").textContent,
    operator: element.querySelector(".operator")?.textContent ?? "",
    outcome: element.className,
    time: Number(element.dataset.t),
  }));
  const words = (a, b) => a.localeCompare(b, undefined, { numeric: true });
  const orders = {
    worst: (a, b) => a.place - b.place,
    part: (a, b) => words(a.part, b.part) || a.place - b.place,
    operator: (a, b) => words(a.operator, b.operator) || a.place - b.place,
    first: (a, b) => a.time - b.time || a.place - b.place,
    last: (a, b) => b.time - a.time || a.place - b.place,
  };
  const filter = () => {
    const wanted = buttons.filter((b) => b.getAttribute("aria-pressed") === "true").map((b) => b.dataset.outcome);
    const parts = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    for (const job of jobs) {
      const keep = (!wanted.length || wanted.includes(job.outcome)) && (!who.value || job.operator === who.value)
        && parts.every((part) => job.text.includes(part));
      job.element.hidden = !keep;
      count += keep;
    }
    shown.textContent = `${count} of ${jobs.length} jobs`;
  };
  for (const button of buttons) {
    button.addEventListener("click", () => {
      button.setAttribute("aria-pressed", String(button.getAttribute("aria-pressed") !== "true"));
      filter();
    });
  }
  find.addEventListener("input", filter);
  who.addEventListener("change", filter);
  sort.addEventListener("change", () => list.append(...[...jobs].sort(orders[sort.value]).map((job) => job.element)));
  document.getElementById("all").addEventListener("click", () => {
    for (const button of buttons) button.setAttribute("aria-pressed", "false");
    find.value = ""; who.value = "";
    filter();
  });
})();
