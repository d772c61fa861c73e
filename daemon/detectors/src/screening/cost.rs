//! What a small file may cost to compile: whatever makes a function cost more than its length is counted and bounded.

use wasmparser::{CompositeInnerType, FunctionBody, Operator, TypeSectionReader};

use super::{ScreeningError, damaged};
use crate::limits::FileSize;

pub(super) fn look_over_types(section: TypeSectionReader<'_>, size: FileSize) -> Result<(), ScreeningError> {
    for group in section {
        for of_function in group.map_err(damaged)?.types().filter_map(|one| match &one.composite_type.inner {
            CompositeInnerType::Func(of_function) => Some(of_function),
            // Refused by the compiler, as everything of their kind.
            CompositeInnerType::Array(_) | CompositeInnerType::Struct(_) | CompositeInnerType::Cont(_) => {
                None
            }
        }) {
            let values = of_function.params().len() + of_function.results().len();
            if values > size.values_max {
                return Err(ScreeningError::TooManyValues { values, max: size.values_max });
            }
        }
    }
    Ok(())
}

/// Whatever makes compiling a function cost more than its length. Its instructions are read, and not yet understood.
pub(super) fn look_over(body: &FunctionBody<'_>, size: FileSize) -> Result<(), ScreeningError> {
    let bytes = body.range().len();
    if bytes > size.function_bytes_max {
        return Err(ScreeningError::FunctionTooLong { bytes, max: size.function_bytes_max });
    }
    let mut locals: usize = 0;
    for declared in body.get_locals_reader().map_err(damaged)? {
        let (count, _) = declared.map_err(damaged)?;
        locals = locals.saturating_add(count as usize);
    }
    if locals > size.locals_max {
        return Err(ScreeningError::TooManyLocals { locals, max: size.locals_max });
    }
    let (mut depth, mut blocks, mut branches) = (0_usize, 0_usize, 0_usize);
    for operator in body.get_operators_reader().map_err(damaged)? {
        match operator.map_err(damaged)? {
            Operator::Block { .. }
            | Operator::Loop { .. }
            | Operator::If { .. }
            | Operator::TryTable { .. } => {
                (depth, blocks) = (depth + 1, blocks + 1);
                if depth > size.nesting_max {
                    return Err(ScreeningError::TooDeep { max: size.nesting_max });
                }
            }
            Operator::End => depth = depth.saturating_sub(1),
            Operator::BrTable { targets } => {
                branches = branches.saturating_add(targets.len() as usize);
                if branches > size.branches_max {
                    return Err(ScreeningError::TooManyBranches { max: size.branches_max });
                }
            }
            // All others cost what they are long.
            _ => {}
        }
    }
    if locals.saturating_mul(blocks) > size.crossings_max {
        return Err(ScreeningError::TooEntangled { locals, blocks });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use crate::Screening;
    use crate::limits::FileSize;

    const SIZE: FileSize = FileSize::ORDINARY;

    fn refusal(wat: &str) -> String {
        Screening::of(&wat::parse_str(wat).unwrap(), SIZE).unwrap_err().to_string()
    }

    #[test]
    fn a_small_file_that_costs_the_compiler_dearly_is_refused_before_it_is_compiled() {
        let blocks = "(block ".repeat(SIZE.nesting_max + 1) + &")".repeat(SIZE.nesting_max + 1);
        assert_eq!(
            refusal(&format!("(module (func {blocks}))")),
            "holds a function with more than 500 blocks inside each other"
        );
        let many = format!("(module (func (local {})))", "i64 ".repeat(SIZE.locals_max + 1));
        assert_eq!(refusal(&many), "holds a function with 2001 local variables; one may have 2000");
        let (locals, loops) = ("i64 ".repeat(2_000), "(loop) ".repeat(2_001));
        assert_eq!(
            refusal(&format!("(module (func (local {locals}) {loops}))")),
            "holds a function with 2000 local variables and 2001 blocks, which would take too long to compile"
        );
        // The last is the one for all other values.
        let targets = "0 ".repeat(SIZE.branches_max + 2);
        assert_eq!(
            refusal(&format!("(module (func (block (br_table {targets} (i32.const 0)))))")),
            "holds a function with more than 20000 branches in tables"
        );
        let wide = "i64 ".repeat(SIZE.values_max + 1);
        assert_eq!(
            refusal(&format!("(module (type (func (param {wide}))))")),
            "holds a function with 65 parameters and results; one may have 64"
        );
        let types = "(type (func)) ".repeat(SIZE.types_max + 1);
        assert_eq!(refusal(&format!("(module {types})")), "holds more than 5000 types");
    }
}
