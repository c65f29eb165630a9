// What the desk's pages do beyond forms and links; every page works without it.
"use strict";
(() => {
  for (const zone of document.querySelectorAll(".drop")) {
    const input = zone.querySelector("input[type=file]");
    for (const kind of ["dragover", "dragleave", "drop"]) {
      zone.addEventListener(kind, (event) => { event.preventDefault(); zone.classList.toggle("over", kind === "dragover"); });
    }
    zone.addEventListener("drop", (event) => { input.files = event.dataTransfer.files; input.dispatchEvent(new Event("change", { bubbles: true })); });
  }
  const follow = (part) => {
    const told = new EventSource(`/jobs/${part.dataset.job}/events`);
    told.addEventListener("step", (event) => { part.querySelector("[data-step]").textContent = event.data; });
    told.addEventListener("over", () => { told.close(); htmx.ajax("GET", part.dataset.over, { target: part, swap: "outerHTML" }); });
  };
  const arrived = () => {
    document.querySelectorAll("[data-job]").forEach(follow);
    const next = document.querySelector("[data-next]");
    if (next) location.replace(next.dataset.next);
  };
  document.body.addEventListener("htmx:afterSwap", arrived);
  arrived();
})();
