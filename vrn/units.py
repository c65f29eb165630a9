"""Every conversion factor once, with its derivation."""

from typing import Final

# exact by definition
LB_KG: Final = 0.45359237  # international avoirdupois pound
IN_M: Final = 0.0254
FT_M: Final = 0.3048
US_GAL_L: Final = 3.785411784  # 231 cubic inches
AC_M2: Final = 4046.8564224  # 43 560 international square feet
HA_M2: Final = 10_000.0
MPH_M_S: Final = 0.44704

# derived from the exact ones
LB_AC_KG_HA: Final = LB_KG / AC_M2 * HA_M2  # 1 lb/ac = 1.120851 kg/ha
GAL_AC_L_HA: Final = US_GAL_L / AC_M2 * HA_M2  # 1 gal/ac = 9.353956 L/ha
LB_AC_MG_M2: Final = LB_KG * 1e6 / AC_M2  # 1 lb/ac = 112.0851 mg/m²
GAL_AC_MM3_M2: Final = US_GAL_L * 1e6 / AC_M2  # 1 gal/ac = 935.3956 mm³/m²
PSI_KPA: Final = LB_KG * 9.80665 / IN_M**2 / 1000.0  # 1 psi = 6.894757 kPa
LB_GAL_KG_L: Final = LB_KG / US_GAL_L  # 1 lb/gal = 0.119826 kg/L
HA_AC: Final = HA_M2 / AC_M2  # 1 ha = 2.471054 ac
IN_OF: Final = {"in": 1.0, "cm": 0.01 / IN_M, "ft": FT_M / IN_M, "m": 1.0 / IN_M}  # inches in one of each

# 1 ppm of a soil of 1 g/cm³ in a slice 1 in thick over one acre:
# 4046.8564224 m² × 0.0254 m × 1000 kg/m³ × 1e-6 / 0.45359237 kg/lb = 0.226613 lb
LB_AC_PER_PPM_IN: Final = AC_M2 * IN_M * 1000.0 * 1e-6 / LB_KG

CORN_BU_LB: Final = 56.0  # legal bushel of shelled corn (at 15.5 % moisture)
BU_AC_T_HA: Final = CORN_BU_LB * LB_KG / 1000.0 / AC_M2 * HA_M2  # 1 bu/ac = 0.0627677 t/ha

NO3_N_SHARE: Final = 14.0067 / 62.0049  # NO3-N in nitrate, by molar mass: 0.2259
