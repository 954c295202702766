# Writes steam.txt: apt-get install python3-iapws (Debian 12, 1.5.3); /usr/bin/python3 steam.py > steam.txt
from iapws.iapws97 import _PSat_T, _TSat_P
from iapws._iapws import _Sublimation_Pressure

print("# By python3-iapws 1.5.3 of Debian 12, see steam.py. water: K and Pa of IAPWS-IF97 region 4. boils: Pa and K of its")
print("# inverse. ice: K and Pa of IAPWS R14-08.")
for t in [273.15, 273.16, 278.15, 283.15, 293.15, 303.15, 313.15, 333.15, 353.15, 373.15, 423.15, 523.15, 623.15, 647]:
    print("water", t, "%.10g" % (_PSat_T(t) * 1e6))
for p in [611.657, 1000, 3e3, 1e4, 5e4, 101325, 1e6, 1e7, 22e6]:
    print("boils", p, "%.10g" % _TSat_P(p / 1e6))
for t in [60, 120, 180, 223.15, 233.15, 243.15, 253.15, 263.15, 268.15, 273.15, 273.16]:
    print("ice", t, "%.10g" % (_Sublimation_Pressure(t) * 1e6))
