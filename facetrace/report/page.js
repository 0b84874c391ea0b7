// Small manners of a page: strips begin in their middle, and what is folded is printed too.
(() => {
  "use strict";
  for (const strip of document.querySelectorAll(".strip")) strip.scrollLeft = (strip.scrollWidth - strip.clientWidth) / 2;
  addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((d) => { d.open = true; }));
})();
