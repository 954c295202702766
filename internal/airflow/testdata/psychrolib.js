// Writes psychrolib.txt: npm install psychrolib@1.1.1; node psychrolib.js > psychrolib.txt
const psy = require("psychrolib");
psy.SetUnitSystem(psy.SI);
console.log("# By npm psychrolib 1.1.1 (ASHRAE Handbook of Fundamentals 2017, chapter 1), see psychrolib.js. Columns: C, relative");
console.log("# humidity, Pa; then saturation pressure in Pa, humidity ratio, dew point in C, density of the moist air in kg/m3.");
for (const t of [-30, -15, -5, 0.01, 5, 15, 25, 35, 45, 60])
  for (const rh of [0.05, 0.3, 0.6, 0.9, 1])
    for (const p of [70000, 101325, 800000]) {
      const w = psy.GetHumRatioFromRelHum(t, rh, p);
      console.log(t, rh, p, psy.GetSatVapPres(t).toPrecision(9), w.toPrecision(9), psy.GetTDewPointFromRelHum(t, rh).toFixed(4),
        psy.GetMoistAirDensity(t, w, p).toPrecision(7));
    }
