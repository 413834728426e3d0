package units

// UCUM codes of the units in which this project computes and stores results.
const (
	MgPerDL          = "mg/dL"
	UmolPerL         = "umol/L"
	MmolPerL         = "mmol/L"
	MmolPerMol       = "mmol/mol"
	NmolPerL         = "nmol/L"
	MeqPerL          = "meq/L"
	MgPerL           = "mg/L"
	GramPerDL        = "g/dL"
	GramPerL         = "g/L"
	GramPerML        = "g/mL"
	UgPerML          = "ug/mL"
	UgPerL           = "ug/L"
	NgPerML          = "ng/mL"
	NgPerL           = "ng/L"
	PgPerML          = "pg/mL"
	MgPer24Hours     = "mg/(24.h)"
	GramPer24Hours   = "g/(24.h)"
	MmolPer24Hours   = "mmol/(24.h)"
	MeqPer24Hours    = "meq/(24.h)"
	UgPerMin         = "ug/min"
	MgPerG           = "mg/g"
	MgPerMmol        = "mg/mmol"
	Gram             = "g"
	Mg               = "mg"
	Ug               = "ug"
	ML               = "mL"
	L                = "L"
	CubicCentimetre  = "cm3"
	Second           = "s"
	Minute           = "min"
	PerSecond        = "/s"
	PerMinute        = "/min"
	PerSecondPerML   = "/s/mL"
	PerMinutePerML   = "/min/mL"
	Hour             = "h"
	Day              = "d"
	Year             = "a"
	Millimetre       = "mm"
	Centimetre       = "cm"
	Metre            = "m"
	Inch             = "[in_i]"
	Kilogram         = "kg"
	Pound            = "[lb_av]"
	SquareMetre      = "m2"
	KgPerM2          = "kg/m2"
	MmHg             = "mm[Hg]"
	MLPerMin         = "mL/min"
	MLPerMinPer173M2 = "mL/min/{1.73_m2}"
	MBq              = "MBq"
	KBq              = "kBq"
	MBqPerML         = "MBq/mL"
	KBqPerML         = "kBq/mL"
	UnitPerL         = "U/L"
	IUPerL           = "[IU]/L"
	MilliIUPerL      = "m[IU]/L"
	MilliIUPerML     = "m[IU]/mL"
	MicroIUPerML     = "u[IU]/mL"
	ThousandPerUL    = "10*3/uL"
	BillionPerL      = "10*9/L"
	PerHighField     = "/[HPF]"
	INRUnit          = "{INR}"
	Percent          = "%"
	One              = "1"
)

// Codes that are accepted and have the same numbers as a code above.
const (
	mgPerDay            = "mg/d"
	gramPerDay          = "g/d"
	mmolPerDay          = "mmol/d"
	meqPerDay           = "meq/d"
	mgPerGCreatinine    = "mg/g{creat}"
	mgPerMmolCreatinine = "mg/mmol{creat}"
)

// CreatinineUmolPerLPerMgPerDL is the one factor of the project between serum
// creatinine in umol/L and in mg/dL. Most laboratories use 88.4, and the molar
// mass from standard atomic weights (C4H7N3O, 113.120 g/mol) gives 88.402. The
// difference is 0.023 %, at most 0.03 % of an estimated GFR, so it cannot show
// at whole mL/min except on a rounding edge.
const CreatinineUmolPerLPerMgPerDL = 88.42

// ACRMgPerGPerMgPerMmol is the factor between an albumin-to-creatinine ratio
// in mg/g and in mg/mmol (KDIGO and NKF texts; from the creatinine factor
// 88.4); that of protein to creatinine is the same. The rounded limits 3 and 30
// mg/mmol are not equal to 30 and 300 mg/g, so a ratio is to be classified in
// the unit the laboratory reported.
const ACRMgPerGPerMgPerMmol = 8.84

// The project's factors in mg/dL for one mmol/L. Glucose: between the value from
// atomic weights, 18.0156, and the alternative 18.0182. Lipids: from memory, for
// the mean molar masses 386.65 and 885.7 g/mol.
const (
	glucoseMgPerDLPerMmolPerL      = 18.016
	cholesterolMgPerDLPerMmolPerL  = 38.67
	triglycerideMgPerDLPerMmolPerL = 88.57
)

// HbA1c in % of NGSP = slope times mmol/mol of IFCC + intercept. Source: NGSP.
// The way back is the exact inverse, not the rounded equation 10.93 x NGSP -
// 23.5 that the IFCC prints.
const (
	ngspPerIFCC   = 0.09148
	ngspIntercept = 2.152
)

// Molar masses in g/mol, from standard atomic weights; that of bilirubin is from
// memory. Urea nitrogen is two atoms of nitrogen, phosphate is counted as
// phosphorus, and citrate and oxalate are the ions. That of creatinine is the
// one that the project's factor implies.
const (
	creatinineMass   = 10000 / CreatinineUmolPerLPerMgPerDL
	ureaMass         = 60.056
	ureaNitrogenMass = 28.014
	urateMass        = 168.11
	calciumMass      = 40.078
	phosphorusMass   = 30.974
	magnesiumMass    = 24.305
	sodiumMass       = 22.990
	bilirubinMass    = 584.66
	citrateMass      = 189.10
	oxalateMass      = 88.02
	vitaminDMass     = 400.64 // 25-hydroxyvitamin D3, C27H44O2
)

// Analyte names what was measured; it decides which units are accepted.
type Analyte string

// The analytes that can be converted.
const (
	SerumCreatinine        Analyte = "serum creatinine"
	CystatinC              Analyte = "cystatin C"
	Glucose                Analyte = "glucose"
	HbA1c                  Analyte = "HbA1c"
	Cholesterol            Analyte = "cholesterol" // total, HDL and LDL
	Triglyceride           Analyte = "triglyceride"
	Urea                   Analyte = "urea"
	UreaNitrogen           Analyte = "urea nitrogen"
	Urate                  Analyte = "urate"
	Calcium                Analyte = "calcium"
	Phosphate              Analyte = "phosphate"
	Magnesium              Analyte = "magnesium"
	Sodium                 Analyte = "sodium"
	Potassium              Analyte = "potassium"
	Chloride               Analyte = "chloride"
	Bicarbonate            Analyte = "bicarbonate"
	Bilirubin              Analyte = "bilirubin"
	SerumAlbumin           Analyte = "serum albumin"
	LiverEnzyme            Analyte = "liver enzyme" // ALT, AST, ALP, GGT
	Haemoglobin            Analyte = "haemoglobin"
	Leukocytes             Analyte = "leukocytes"
	Platelets              Analyte = "platelets"
	INR                    Analyte = "INR"
	ClottingTime           Analyte = "clotting time" // PT and aPTT
	ParathyroidHormone     Analyte = "parathyroid hormone"
	VitaminD               Analyte = "25-hydroxyvitamin D"
	TSH                    Analyte = "TSH"
	PSA                    Analyte = "PSA"
	HCG                    Analyte = "hCG"
	UrineCreatinine        Analyte = "urine creatinine"
	UrineAlbumin           Analyte = "urine albumin"
	UrineUrea              Analyte = "urine urea"
	UrineProtein           Analyte = "urine protein"
	UrineErythrocytes      Analyte = "urine erythrocytes"
	UrineLeukocytes        Analyte = "urine leukocytes"
	AlbuminExcretionRate   Analyte = "albumin excretion rate"
	ProteinExcretionRate   Analyte = "protein excretion rate"
	AlbuminCreatinineRatio Analyte = "albumin-to-creatinine ratio"
	ProteinCreatinineRatio Analyte = "protein-to-creatinine ratio"
	CreatinineExcretion    Analyte = "creatinine excretion"
	CalciumExcretion       Analyte = "calcium excretion"
	OxalateExcretion       Analyte = "oxalate excretion"
	CitrateExcretion       Analyte = "citrate excretion"
	UrateExcretion         Analyte = "urate excretion"
	SodiumExcretion        Analyte = "sodium excretion"
	UrineVolume            Analyte = "urine volume"
	IohexolDose            Analyte = "iohexol dose"
	PlasmaIohexol          Analyte = "plasma iohexol"
	MarkerActivity         Analyte = "marker activity"
	PlasmaActivity         Analyte = "marker activity in plasma"
	CountRate              Analyte = "count rate"
	PlasmaCountRate        Analyte = "count rate in plasma"
	MedicineDose           Analyte = "medicine dose"
	Density                Analyte = "density"
	Duration               Analyte = "duration"
	Height                 Analyte = "height"
	Weight                 Analyte = "weight"
	WaistCircumference     Analyte = "waist circumference"
	BodySurfaceArea        Analyte = "body surface area"
	BodyMassIndex          Analyte = "body mass index"
	BloodPressure          Analyte = "blood pressure"
	AbsoluteGFR            Analyte = "absolute GFR"
	NormalisedGFR          Analyte = "BSA-normalised GFR"
	KidneyLength           Analyte = "kidney length"
	KidneyVolume           Analyte = "kidney volume"
	LesionSize             Analyte = "lesion size"
	SplitFunction          Analyte = "split function"
	Proportion             Analyte = "proportion"
	Ratio                  Analyte = "ratio"
)

// perMmolPerL is what one mmol/L of a substance of that molar mass is in mg/dL.
func perMmolPerL(molarMass float64) float64 { return molarMass / 10 }

// perUmolPerL is what one umol/L of a substance of that molar mass is in mg/dL.
func perUmolPerL(molarMass float64) float64 { return perMmolPerL(molarMass) / 1000 }

// table lists the accepted units of each analyte, and its plausible range where
// there is one.
//
// Factors without a named constant are exact by definition: 1.44 is 1440 min a
// day over 1000 ug a mg, an inch is 2.54 cm and an avoirdupois pound 0.45359237
// kg. An equivalent of sodium, potassium, chloride or bicarbonate is a mole.
//
// The ranges are common practice, no published source. They are wide, because a
// severely abnormal value has to pass in its own unit, and serve only to notice
// a number that belongs to another unit. Urea nitrogen, phosphate and magnesium
// have none: there the units differ by a factor of 2 to 3, less than healthy and
// sick people do.
var table = []entry{
	{analyte: SerumCreatinine, units: in(MgPerDL).and(perUmolPerL(creatinineMass), UmolPerL), low: 0.2, high: 17},
	{analyte: CystatinC, units: in(MgPerL)},
	{analyte: Glucose, units: in(MgPerDL).and(glucoseMgPerDLPerMmolPerL, MmolPerL), low: 20, high: 1100},
	{analyte: HbA1c, units: append(in(Percent), definition{MmolPerMol, scale{ngspPerIFCC, ngspIntercept}}), low: 3, high: 20},
	{analyte: Cholesterol, units: in(MgPerDL).and(cholesterolMgPerDLPerMmolPerL, MmolPerL), low: 10, high: 1000},
	{analyte: Triglyceride, units: in(MgPerDL).and(triglycerideMgPerDLPerMmolPerL, MmolPerL), low: 10, high: 10000},
	{analyte: Urea, units: in(MgPerDL).and(perMmolPerL(ureaMass), MmolPerL), low: 6, high: 600},
	{analyte: UreaNitrogen, units: in(MgPerDL).and(perMmolPerL(ureaNitrogenMass), MmolPerL)},
	{analyte: Urate, units: in(MgPerDL).and(perUmolPerL(urateMass), UmolPerL), low: 0.2, high: 40},
	{analyte: Calcium, units: in(MgPerDL).and(perMmolPerL(calciumMass), MmolPerL), low: 4, high: 24},
	{analyte: Phosphate, units: in(MgPerDL).and(perMmolPerL(phosphorusMass), MmolPerL)},
	{analyte: Magnesium, units: in(MgPerDL).and(perMmolPerL(magnesiumMass), MmolPerL)},
	{analyte: Sodium, units: in(MmolPerL, MeqPerL)},
	{analyte: Potassium, units: in(MmolPerL, MeqPerL)},
	{analyte: Chloride, units: in(MmolPerL, MeqPerL)},
	{analyte: Bicarbonate, units: in(MmolPerL, MeqPerL)},
	{analyte: Bilirubin, units: in(MgPerDL).and(perUmolPerL(bilirubinMass), UmolPerL), low: 0.05, high: 50},
	{analyte: SerumAlbumin, units: in(GramPerDL).and(0.1, GramPerL), low: 0.6, high: 8},
	{analyte: LiverEnzyme, units: in(UnitPerL)},
	{analyte: Haemoglobin, units: in(GramPerDL).and(0.1, GramPerL), low: 2, high: 25},
	{analyte: Leukocytes, units: in(ThousandPerUL, BillionPerL)},
	{analyte: Platelets, units: in(ThousandPerUL, BillionPerL)},
	{analyte: INR, units: in(INRUnit)},
	{analyte: ClottingTime, units: in(Second)},
	{analyte: ParathyroidHormone, units: in(PgPerML, NgPerL)},
	{analyte: VitaminD, units: in(NgPerML).and(vitaminDMass/1000, NmolPerL)},
	{analyte: TSH, units: in(MilliIUPerL, MicroIUPerML)},
	{analyte: PSA, units: in(NgPerML, UgPerL)},
	{analyte: HCG, units: in(IUPerL, MilliIUPerML)},
	{analyte: UrineCreatinine, units: in(MgPerDL).and(perMmolPerL(creatinineMass), MmolPerL), low: 2, high: 500},
	{analyte: UrineAlbumin, units: in(MgPerL, UgPerML).and(10, MgPerDL)},
	{analyte: UrineUrea, units: in(MgPerDL).and(perMmolPerL(ureaMass), MmolPerL)},
	{analyte: UrineProtein, units: in(MgPerL).and(10, MgPerDL).and(1000, GramPerL)},
	{analyte: UrineErythrocytes, units: in(PerHighField), zero: true},
	{analyte: UrineLeukocytes, units: in(PerHighField), zero: true},
	{analyte: AlbuminExcretionRate, units: in(MgPer24Hours, mgPerDay).and(1.44, UgPerMin)},
	{analyte: ProteinExcretionRate, units: in(MgPer24Hours, mgPerDay).and(1000, GramPer24Hours, gramPerDay)},
	{analyte: AlbuminCreatinineRatio, units: in(MgPerG, mgPerGCreatinine).and(ACRMgPerGPerMgPerMmol, MgPerMmol, mgPerMmolCreatinine)},
	{analyte: ProteinCreatinineRatio, units: in(MgPerG, mgPerGCreatinine).and(ACRMgPerGPerMgPerMmol, MgPerMmol, mgPerMmolCreatinine)},
	{analyte: CreatinineExcretion, units: in(MgPer24Hours, mgPerDay).and(1000, GramPer24Hours, gramPerDay).and(creatinineMass, MmolPer24Hours, mmolPerDay)},
	{analyte: CalciumExcretion, units: in(MgPer24Hours, mgPerDay).and(calciumMass, MmolPer24Hours, mmolPerDay)},
	{analyte: OxalateExcretion, units: in(MgPer24Hours, mgPerDay).and(oxalateMass, MmolPer24Hours, mmolPerDay)},
	{analyte: CitrateExcretion, units: in(MgPer24Hours, mgPerDay).and(citrateMass, MmolPer24Hours, mmolPerDay)},
	{analyte: UrateExcretion, units: in(MgPer24Hours, mgPerDay).and(urateMass, MmolPer24Hours, mmolPerDay)},
	{analyte: SodiumExcretion, units: in(MmolPer24Hours, mmolPerDay, MeqPer24Hours, meqPerDay).and(1/sodiumMass, MgPer24Hours, mgPerDay)},
	{analyte: UrineVolume, units: in(ML).and(1000, L)},
	{analyte: IohexolDose, units: in(Mg).and(0.001, Ug).and(1000, Gram)},
	{analyte: PlasmaIohexol, units: in(UgPerML, MgPerL)},
	{analyte: MarkerActivity, units: in(MBq).and(0.001, KBq)},
	{analyte: PlasmaActivity, units: in(MBqPerML).and(0.001, KBqPerML)},
	{analyte: CountRate, units: in(PerMinute).and(60, PerSecond)},
	{analyte: PlasmaCountRate, units: in(PerMinutePerML).and(60, PerSecondPerML)},
	{analyte: MedicineDose, units: in(Mg).and(1000, Gram)},
	{analyte: Density, units: in(GramPerML)},
	{analyte: Duration, units: in(Minute).and(60, Hour).and(1440, Day)},
	{analyte: Height, units: in(Centimetre).and(100, Metre).and(2.54, Inch), low: 100, high: 260},
	{analyte: Weight, units: in(Kilogram).and(0.45359237, Pound), low: 30, high: 350},
	{analyte: WaistCircumference, units: in(Centimetre).and(2.54, Inch)},
	{analyte: BodySurfaceArea, units: in(SquareMetre)},
	{analyte: BodyMassIndex, units: in(KgPerM2)},
	{analyte: BloodPressure, units: in(MmHg)},
	{analyte: AbsoluteGFR, units: in(MLPerMin)},
	{analyte: NormalisedGFR, units: in(MLPerMinPer173M2)},
	{analyte: KidneyLength, units: in(Centimetre).and(0.1, Millimetre)},
	{analyte: KidneyVolume, units: in(ML, CubicCentimetre)},
	{analyte: LesionSize, units: in(Millimetre).and(10, Centimetre)},
	{analyte: SplitFunction, units: in(Percent)},
	{analyte: Proportion, units: in(Percent).and(100, One)},
	{analyte: Ratio, units: in(One)},
}
