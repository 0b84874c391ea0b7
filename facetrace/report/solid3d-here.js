// Puts the page's own drawing into the element with the id "solid3d": facetrace/report/html.py says where the data are.
(() => {
  "use strict";
  const place = document.getElementById("solid3d");
  const told = document.getElementById("facetrace-data");
  if (place && told) facetraceSolid(place, JSON.parse(told.textContent).drawing);
})();
