document.documentElement.className = "js";
window.addEventListener("error", function () { document.documentElement.className = ""; });
