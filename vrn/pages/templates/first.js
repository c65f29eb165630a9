document.documentElement.className = "js";
/* what only paper, a page without scripts or an opened list shows stays text until then */
function showAll() { document.querySelectorAll("noscript").forEach(function (part) { part.outerHTML = part.textContent; }); }
window.addEventListener("error", function () { document.documentElement.className = ""; showAll(); });
