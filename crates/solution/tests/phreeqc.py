"""Solutions by PHREEQC (US Geological Survey, phreeqc.dat), through phreeqpython.

Reads a JSON list of cases: amounts in mol per kilogram of water, temperature, and perhaps the
logarithm of the pressure of CO2, an adjuster (moles of components in a mole) with a target pH.
Writes for each: pH, ionic strength, conductivity, saturation index of gypsum, and the dose in
mol/kg. Every figure is an initial solution with the pH from the charge balance, so that nitrate
and ammonium keep apart. Citrate, acetate and inert ions are not in the file and are added here.
"""

import json
import sys

from phreeqpython import PhreeqPython
from scipy.optimize import brentq

NAMES = {
    "Calcium": "Ca",
    "Magnesium": "Mg",
    "Potassium": "K",
    "Sodium": "Na",
    "Ammonium": "N(-3)",
    "Manganese": "Mn(2)",
    "Zinc": "Zn",
    "Copper": "Cu(2)",
    "Nitrate": "N(5)",
    "Chloride": "Cl",
    "Sulfate": "S(6)",
    "Phosphate": "P",
    "Carbonate": "C(4)",
    "Borate": "B",
    "Citrate": "Cit",
    "Acetate": "Ace",
    "InertPositive": "Inp",
    "InertNegative": "Inn",
}

# neither changes the charge balance here: uncharged, or a chelate taken as neutral
LEFT_OUT = {"Urea", "Iron"}

# Bates and Pinching 1949 for citric acid, NIST 46 for its pairs; diffusion from the limiting
# conductivities of the CRC Handbook
ADDED = """
SOLUTION_MASTER_SPECIES
Cit Cit-3 0 189.1 189.1
Ace Ace- 0 59.04 59.04
Inp Inp+ 0 30 30
Inn Inn- 0 30 30
SOLUTION_SPECIES
Cit-3 = Cit-3
 -gamma 5.0 0
 -dw 0.623e-9
Ace- = Ace-
 -gamma 4.5 0
 -dw 1.089e-9
Inp+ = Inp+
 -dw 1.597e-9
Inn- = Inn-
 -dw 1.597e-9
Cit-3 + H+ = HCit-2
 -log_k 6.396
 -gamma 4.5 0
 -dw 0.666e-9
Cit-3 + 2H+ = H2Cit-
 -log_k 11.157
 -gamma 3.5 0
 -dw 0.799e-9
Cit-3 + 3H+ = H3Cit
 -log_k 14.285
Ace- + H+ = HAce
 -log_k 4.756
Ca+2 + Cit-3 = CaCit-
 -log_k 4.87
 -dw 0.799e-9
Ca+2 + Cit-3 + H+ = CaHCit
 -log_k 9.26
Ca+2 + Cit-3 + 2H+ = CaH2Cit+
 -log_k 12.257
 -dw 0.799e-9
Mg+2 + Cit-3 = MgCit-
 -log_k 4.89
 -dw 0.799e-9
Mg+2 + Cit-3 + H+ = MgHCit
 -log_k 8.91
Mg+2 + Cit-3 + 2H+ = MgH2Cit+
 -log_k 12.2
 -dw 0.799e-9
END
"""

# with this pair the file puts the carbonate standard (pH 10.012) at 9.87; see species.rs
WITHOUT_PAIR = """
SOLUTION_SPECIES
Na+ + CO3-2 = NaCO3-
 -log_k -10
END
"""

OUTPUT = """
SELECTED_OUTPUT
-reset false
USER_PUNCH
-headings ph mu sc gypsum
10 PUNCH -LA("H+"), MU, SC, SI("Gypsum")
END
"""


def solve(engine, amounts, case):
    lines = [f"SOLUTION 1\nunits mol/kgw\ntemp {case['celsius']}\npH 7 charge"]
    pressure = case["log_carbon_dioxide"]
    if pressure is not None:
        lines.append(f"C(4) 0.001 CO2(g) {pressure}")
    for name, amount in amounts.items():
        if name in LEFT_OUT or amount == 0 or (name == "Carbonate" and pressure is not None):
            continue
        lines.append(f"{NAMES[name]} {amount:.17g}")
    engine.run_string("\n".join(lines) + OUTPUT)
    return engine.get_selected_output_array()[-1]


def with_dose(amounts, adjuster, dose):
    dosed = dict(amounts)
    for name, count in adjuster.items():
        dosed[name] = dosed.get(name, 0.0) + count * dose
    return dosed


def answer(engine, case):
    amounts = case["amounts"]
    dose = None
    if case["adjuster"] is not None:
        adjuster, target = case["adjuster"]["components"], case["adjuster"]["target"]

        def miss(trial):
            return solve(engine, with_dose(amounts, adjuster, trial), case)[0] - target

        dose = brentq(miss, 0.0, case["adjuster"]["at_most"], xtol=1e-12, rtol=1e-10)
        amounts = with_dose(amounts, adjuster, dose)
    ph, mu, sc, gypsum = solve(engine, amounts, case)
    return {"ph": ph, "mu": mu, "sc": sc, "gypsum": gypsum, "dose": dose}


def main():
    with open(sys.argv[1]) as file:
        cases = json.load(file)
    engine = PhreeqPython(database="phreeqc.dat").ip
    engine.run_string(ADDED)
    if sys.argv[2] == "without NaCO3-":
        engine.run_string(WITHOUT_PAIR)
    json.dump([answer(engine, case) for case in cases], sys.stdout)


main()
