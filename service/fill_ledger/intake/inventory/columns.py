"""The columns of an inventory file: what each one holds, and the plain words by which clerks head it."""

from enum import StrEnum

import msgspec

# Sheets of the template workbook: the list, and what to enter.
LIST_SHEET = "Cylinders"
GUIDE_SHEET = "How to fill in"


class Field(StrEnum):
    """What a column can hold. Values stand in faults; never rename one."""

    INVENTORY_NUMBER = "inventory_number"
    SERIAL = "serial"
    SPECIFICATION = "specification"
    SERVICE_PRESSURE = "service_pressure"
    WATER_VOLUME = "water_volume"
    MANUFACTURED = "manufactured"
    LAST_REQUALIFIED = "last_requalified"
    REQUALIFIER = "requalifier"
    REQUALIFICATION_METHOD = "requalification_method"
    REQUALIFICATION_MARKS = "requalification_marks"
    PLUS_MARK = "plus_mark"
    STAR_MARK = "star_mark"
    MATERIAL = "material"
    ALLOY = "alloy"
    USE = "use"
    TAG = "tag"
    HOME_STATION = "home_station"
    CONDITION = "condition"
    PURCHASED = "purchased"
    REMARK = "remark"


class ColumnDescription(msgspec.Struct, frozen=True, kw_only=True):
    """One column of the template: its header, what to enter, and an example."""

    field: Field
    header: str
    entry: str
    example: str
    required: bool = False


TEMPLATE_COLUMNS = (
    ColumnDescription(
        field=Field.INVENTORY_NUMBER,
        header="Inventory number",
        entry="The number the department painted on the cylinder. Left empty, one is given.",
        example="S-0417",
    ),
    ColumnDescription(
        field=Field.SERIAL, header="Serial number", entry="As stamped.", example="KX20441", required=True
    ),
    ColumnDescription(
        field=Field.SPECIFICATION,
        header="Specification",
        entry="The mark as stamped or on the label: specification, permit or standard.",
        example="DOT-SP10915-4500",
        required=True,
    ),
    ColumnDescription(
        field=Field.SERVICE_PRESSURE,
        header="Service pressure (psi)",
        entry="As stamped. Another unit stands behind the number: 300 bar. May be empty where the mark carries it.",
        example="4500",
    ),
    ColumnDescription(
        field=Field.WATER_VOLUME,
        header="Water volume (L)",
        entry="What the cylinder holds of water, not of air. Another unit stands behind the number: 415 cu in.",
        example="6.8",
    ),
    ColumnDescription(
        field=Field.MANUFACTURED, header="Manufactured", entry="Year and month of the first test.", example="2019-03"
    ),
    ColumnDescription(
        field=Field.LAST_REQUALIFIED,
        header="Last requalified",
        entry="Year and month of the last requalification (hydrostatic test); empty if there was none.",
        example="2024-02",
    ),
    ColumnDescription(
        field=Field.REQUALIFIER,
        header="Requalifier RIN",
        entry="Requalifier identification number: the four characters between month and year.",
        example="A123",
    ),
    ColumnDescription(
        field=Field.REQUALIFICATION_METHOD,
        header="Requalification method",
        entry="volumetric, proof pressure, ultrasonic, acoustic emission or visual.",
        example="volumetric",
    ),
    ColumnDescription(
        field=Field.REQUALIFICATION_MARKS,
        header="Requalification marks",
        entry="What stands behind the date: plus, star, S, E, FS, AE, UE, VE; several with a comma between.",
        example="",
    ),
    ColumnDescription(
        field=Field.MATERIAL, header="Material", entry="steel, aluminium or composite.", example="composite"
    ),
    ColumnDescription(field=Field.ALLOY, header="Alloy", entry="Such as 6061 or 6351, where known.", example=""),
    ColumnDescription(field=Field.USE, header="Use", entry="scba, scuba or storage.", example="scba", required=True),
    ColumnDescription(
        field=Field.TAG, header="Tag", entry="What the reader reads: hexadecimal digits or the EPC.", example=""
    ),
    ColumnDescription(
        field=Field.HOME_STATION, header="Home station", entry="Name or code of the station.", example="Station 3"
    ),
    ColumnDescription(
        field=Field.CONDITION,
        header="Condition",
        entry="in service, on hold, condemned or retired. Empty means in service.",
        example="in service",
    ),
    ColumnDescription(
        field=Field.PURCHASED, header="Purchased", entry="Year and month, or the day as 2019-04-30.", example="2019-04"
    ),
    ColumnDescription(field=Field.REMARK, header="Remark", entry="Free text.", example=""),
)

REQUIRED_FIELDS = tuple(column.field for column in TEMPLATE_COLUMNS if column.required)

# Header words in squeezed form: lower case, letters and digits only, "#" written "no", units and filler taken off.
_SPELLINGS: dict[Field, str] = {
    Field.INVENTORY_NUMBER: (
        "inventorynumber inventoryno inventory inventoryid invno invnumber inv assetnumber assetno asset assetid "
        "cylindernumber cylinderno cylno cylinderid cylid cylinder bottlenumber bottleno bottleid bottle tanknumber "
        "tankno tankid unitnumber unitno unitid departmentnumber departmentno deptno deptnumber departmentid deptid "
        "paintednumber fleetnumber fleetno localnumber localno idnumber idno id"
    ),
    Field.SERIAL: (
        "serial serialnumber serialno serialnr sn serno sernumber ser srno cylinderserial cylinderserialnumber "
        "cylinderserialno cylinderserno cylserial cylserialno cylserialnumber bottleserial bottleserialno "
        "bottleserialnumber tankserialno tankserialnumber stampedserial serialstamped serialnum cylindersn bottlesn"
    ),
    Field.SPECIFICATION: (
        "specification spec specs dotspec dotspecification dot dotno dotnumber dottc dotmarking dotmark dotrating "
        "dotexemption dotpermit dotsp dottype tcspec cylinderspec cylinderspecification specificationmark "
        "specmark specno specnumber specificationorpermit specificationpermit specialpermit specialpermitno "
        "specialpermitnumber permit permitno permitnumber exemption exemptionno exemptionnumber marking "
        "dotcode specasstamped specificationasstamped dottcspec standard dotspecpermit dotspecno"
    ),
    Field.SERVICE_PRESSURE: (
        "servicepressure servicepress servpress workingpressure wp workpressure workingpress ratedpressure "
        "pressurerating ratedservicepressure pressure press nominalpressure markedpressure stampedpressure "
        "markedservicepressure pressureclass pw"
    ),
    Field.WATER_VOLUME: (
        "watervolume volume vol watercapacity watervol wc wv internalvolume cylindervolume waterweightvolume "
        "volumewater capacitywater hydraulicvolume"
    ),
    Field.MANUFACTURED: (
        "manufactured manufacture manufacturedate manufacturingdate datemanufactured dateofmanufacture mfgdate mfgd "
        "mfg mfd mfddate mfrdate dom borndate born bornon bornondate builton built builddate madeon made datemade "
        "productiondate firsttest firsttestdate originaltest originaltestdate originalhydro originalhydrodate "
        "manufacturemonth monthofmanufacture manufmonth manufdate birthdate datemfg datemfgd"
    ),
    Field.LAST_REQUALIFIED: (
        "lastrequalified requalified requalifieddate lastrequalification requalification requalificationdate "
        "lastrequalificationdate requaldate requal lastrequal lastrequaldate daterequalified hydro hydrodate lasthydro "
        "lasthydrodate hydrotest hydrotested hydrotestdate hydrotesteddate lasthydrotest lasthydrotestdate "
        "hydrostatictest hydrostatictestdate hydrostaticdate hydrostatic lasthydrostatictest lasthydrostatic "
        "lasthydrostatictestdate retest retested retestdate lastretest lastretestdate testdate lasttest lasttestdate "
        "lasttested datetested tested dateoflasttest dateoflasthydro dateoflasthydrotest hydrostaticallytested "
        "currenthydro currenthydrodate mostrecenthydro hydroed"
    ),
    Field.REQUALIFIER: (
        "requalifierrin rin rinno rinnumber requalifier requalifiernumber requalifierno requalifierid requalifiersrin "
        "requalifieridentificationnumber retester retesterid retesterno retesternumber testerrin facilityrin"
    ),
    Field.REQUALIFICATION_METHOD: (
        "requalificationmethod requalmethod method testmethod testtype retestmethod hydromethod typeoftest retesttype "
        "hydrotype kindoftest"
    ),
    Field.REQUALIFICATION_MARKS: (
        "requalificationmarks requalificationmark requalmarks requalmark retestmarks retestmark testmarks "
        "hydromarks stampmarks suffix suffixes plusstar plusorstar marksafterdate retestsuffix"
    ),
    Field.PLUS_MARK: "plus plusmark plusrating plusrated plussign plusstamp",
    Field.STAR_MARK: "star starmark starstamp starred tenyearstar",
    Field.MATERIAL: "material cylindermaterial bottlematerial construction madeof materialtype",
    Field.ALLOY: "alloy aluminumalloy aluminiumalloy alloytype alloyno alloynumber",
    Field.USE: "use usage usedfor usetype cylinderuse cylinderusage application purpose kindofuse",
    Field.TAG: (
        "tag tagid tagno tagnumber rfid rfidtag rfidno rfidnumber rfidtagid rfidtagno rfidtagnumber epc epccode nfc "
        "nfctag nfcid chip chipid transponder transponderid tagepc taguid uid"
    ),
    Field.HOME_STATION: (
        "homestation station stationname stationcode stationno stationnumber stationid location home homelocation "
        "assignedstation assignedto assignedlocation firestation house firehouse stn sta stationassigned base"
    ),
    Field.CONDITION: (
        "condition inservice status servicestatus state currentstatus cylinderstatus bottlestatus conditionstatus"
    ),
    Field.PURCHASED: (
        "purchased purchasedate datepurchased purchasedon bought boughton acquired dateacquired acquisitiondate "
        "acquireddate received datereceived receiveddate purchase dateofpurchase"
    ),
    Field.REMARK: "remark remarks comment comments note notes memo",
}

FIELD_OF_SPELLING: dict[str, Field] = {
    spelling: field for field, spellings in _SPELLINGS.items() for spelling in spellings.split()
}

# Headers that are known but not taken, because they are worked out here or can mean two things.
NOT_TAKEN: dict[str, str] = {
    **dict.fromkeys(
        (
            "nexthydro", "nexthydrodate", "hydrodue", "hydroduedate", "nexttest", "nexttestdate", "due", "duedate",
            "testdue", "testduedate", "retestdue", "retestduedate", "nextretest", "requalificationdue", "requaldue",
            "nextrequalification", "nextdue", "nextduedate", "hydroexpires", "hydroexpiration", "hydroexpirationdate",
        ),
        "the next date follows from the last requalification and is worked out here",
    ),
    **dict.fromkeys(
        (
            "endoflife", "endoflifedate", "expires", "expiry", "expirydate", "expiration", "expirationdate", "eol",
            "eoldate", "lifeend", "serviceliferemaining", "servicelife", "retiredate", "endofservice",
        ),
        "the end of service life follows from the permit and the month of manufacture",
    ),
    **dict.fromkeys(
        ("fillpressure", "maxpressure", "maxfillpressure", "maximumpressure", "maximumfillpressure", "fillto"),
        "the fill limit follows from the service pressure and the plus mark",
    ),
    **dict.fromkeys(("testpressure", "tp"), "the test pressure is not the service pressure"),
    **dict.fromkeys(("sp",), "it can mean special permit or service pressure; write one of them out"),
    **dict.fromkeys(("type", "kind"), "it can mean use, material or specification; write one of them out"),
    **dict.fromkeys(
        ("size", "capacity", "cylindersize", "bottlesize", "rating", "minutes", "duration"),
        "it can mean water volume, free air or minutes; write Water volume where that is meant",
    ),
    **dict.fromkeys(("service",), "it can mean service pressure, use or condition; write one of them out"),
    **dict.fromkeys(("mark", "marks"), "it can mean specification or requalification marks; write one of them out"),
    **dict.fromkeys(("date",), "it does not say of what"),
    **dict.fromkeys(
        ("no", "number", "nr", "row", "rowno", "line", "lineno", "item", "itemno"), "it reads like a running number"
    ),
}  # fmt: skip
